//! The core at the end of a serial line. When the line falls silent it switches everything off.

#![no_std]
#![no_main]

use bellcrank_core::machine::image::IMAGE_MAX;
use bellcrank_firmware::{Serial, Timer, paint_stack};
use bellcrank_hal::exchange::{QUIET, serve};
use cortex_m_rt::entry;
use {defmt_semihosting as _, panic_semihosting as _};

#[entry]
fn main() -> ! {
    paint_stack();
    defmt::info!("the core waits for a machine");
    let Ok(()) = serve(&mut Serial::start(), &Timer::start(Some(QUIET)), &mut [0; IMAGE_MAX]);
    // Never: a serial line has no end.
    loop {
        cortex_m::asm::wfi();
    }
}
