//! The chip: registers, the stack, and the calls out to the emulator. All that is `unsafe` in the firmware stands here, because a register
//! is an address and the emulator takes pointers.

use core::ptr;

use bellcrank_core::units::Duration;
use bellcrank_hal::exchange::Clock;
use cortex_m_semihosting::syscall;

/// CMSDK timer 0 (Arm DUI 0475, "APB timer"): counts down, at 25 MHz on this board.
const TIMER: usize = 0x4000_0000;
/// CMSDK UART 0 of the board (Arm DUI 0475, "APB UART").
const UART: usize = 0x4000_4000;

/// What the unused stack is filled with.
const PAINT: u32 = 0xb0a5_5a0b;
/// Left free below the stack pointer while painting, bytes: what the painting itself uses.
const SPARE: usize = 256;

fn read(address: usize) -> u32 {
    // Safety: only called with the constants of this file, which are registers that this chip has.
    unsafe { ptr::read_volatile(address as *const u32) }
}

fn write(address: usize, value: u32) {
    // Safety: as for `read`; neither peripheral writes to memory by itself.
    unsafe { ptr::write_volatile(address as *mut u32, value) }
}

/// The timer, as the clock that turns are timed with. Under `-icount shift=6` 1.6 counts are one instruction.
pub struct Timer {
    quiet: Option<Duration>,
}

impl Timer {
    /// Starts it; without a frame for so long, everything is to be switched off.
    pub fn start(quiet: Option<Duration>) -> Self {
        write(TIMER, 0);
        write(TIMER + 8, u32::MAX);
        write(TIMER + 4, u32::MAX);
        write(TIMER, 1);
        Self { quiet }
    }
}

impl Clock for Timer {
    const COUNTS_A_SECOND: u32 = 25_000_000;

    fn count(&self) -> u32 {
        !read(TIMER + 4)
    }

    fn quiet(&self) -> Option<Duration> {
        self.quiet
    }

    fn stack(&self) -> Option<u32> {
        Some(stack_used())
    }
}

unsafe extern "C" {
    /// Where the linker's statics end and the stack may end.
    static mut __sheap: u32;
    /// Where the stack begins.
    static mut _stack_start: u32;
}

/// Fills the stack that is not in use.
pub fn paint_stack() {
    let low = &raw mut __sheap;
    let high = (cortex_m::register::msp::read() as usize - SPARE) as *mut u32;
    let mut at = low;
    while at < high {
        // Safety: between the statics and what is in use of the stack nothing is kept, and one core without interrupts uses it.
        unsafe {
            ptr::write_volatile(at, PAINT);
            at = at.add(1);
        }
    }
}

/// What of the stack is in use here, bytes.
pub fn stack_depth() -> u32 {
    (&raw mut _stack_start as usize).wrapping_sub(cortex_m::register::msp::read() as usize) as u32
}

/// Most of the stack that was in use since it was painted, bytes.
pub fn stack_used() -> u32 {
    let high = &raw mut _stack_start;
    let mut at = (&raw mut __sheap).cast_const();
    // Safety: reads between the end of the statics and the beginning of the stack, all of it memory.
    while at < high.cast_const() && unsafe { ptr::read_volatile(at) } == PAINT {
        at = unsafe { at.add(1) };
    }
    (high as usize - at as usize) as u32
}

/// UART registers.
pub mod uart {
    use super::{UART, read, write};

    /// Starts it, as fast as it goes.
    pub fn start() {
        write(UART + 0x10, 16);
        write(UART + 8, 0b11);
    }

    /// The next byte, if one has come.
    pub fn take() -> Option<u8> {
        has_byte().then(|| read(UART).to_le_bytes()[0])
    }

    /// A byte has come.
    pub fn has_byte() -> bool {
        read(UART + 4) & 0b10 != 0
    }

    /// Sends a byte, if there is room for it.
    pub fn put(byte: u8) -> bool {
        let room = read(UART + 4) & 0b01 == 0;
        if room {
            write(UART, u32::from(byte));
        }
        room
    }
}

/// A file of the computer that runs the emulator.
pub struct File(usize);

impl File {
    /// Opens a file by its name, which ends in a zero byte. Reading or writing, both as bytes.
    pub fn open(name: &[u8], writing: bool) -> Option<Self> {
        let mode: usize = if writing { 5 } else { 1 };
        // Safety: the emulator reads the name, `len` bytes of it, which are there.
        let handle = unsafe { syscall!(OPEN, name.as_ptr(), mode, name.len() - 1) };
        (handle != usize::MAX).then_some(Self(handle))
    }

    /// Reads what is there, waiting for something. How many bytes; 0 at the end.
    pub fn read(&self, into: &mut [u8]) -> usize {
        // Safety: the emulator writes at most so many bytes as `into` has.
        let left = unsafe { syscall!(READ, self.0, into.as_mut_ptr(), into.len()) };
        into.len().saturating_sub(left)
    }

    /// Writes all of it. False where that did not work.
    pub fn write(&self, bytes: &[u8]) -> bool {
        // Safety: the emulator reads so many bytes as `bytes` has.
        let left = unsafe { syscall!(WRITE, self.0, bytes.as_ptr(), bytes.len()) };
        left == 0
    }
}
