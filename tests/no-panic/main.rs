//! An image that is never run, only linked: it links while nothing reachable from here can panic.
//!
//! `panic-never` makes the panic handler a call to a function that does not exist. As long as the optimiser can show
//! that no call of it is left, the linker never asks for it; one reachable `v[i]`, `unwrap` or division by a whole
//! number that may be zero, and linking fails. The arguments of the entry are unknown to the compiler, so it cannot
//! argue a panic away for particular values.
//!
//! `cargo xtask test` builds this twice: as it is, which must link, and with the feature `planted-panic`, which must not. Where a panic is
//! left it builds it once more, with a handler that is there, and names the calls that lead to it.

#![no_std]
#![no_main]

mod board;

use bellcrank_core::inputs::HandFrame;
use bellcrank_core::machine::image::{self, Fingerprint};
use bellcrank_core::plan::inverse::{Angles, Inverse, Target};
use bellcrank_core::units::Duration;
use bellcrank_core::{Controller, Inputs, Machine, Outputs, math};
use bellcrank_link::{Boot, HandEnd, KEY_BYTES, MachineEnd, Packet, Pair, PairingKey};
#[cfg(not(feature = "panics-allowed"))]
use panic_never as _;

/// What the linker takes for the start of the program, and so keeps, with all that it calls: the first tick of a new
/// controller, a tick of one in any state whatever, each float function, each arm's inverse, a machine packed and read, both ends of the link, new and in
/// any state, and a turn of a board with each of its pieces.
#[unsafe(no_mangle)]
pub fn _start(
    machine: &Machine,
    controller: &mut Controller<'_>,
    inputs: &Inputs,
    [x, y, z]: [f32; 3],
    (from, target): (&[f32], &Target),
    (stored, packed): (&[u8], &mut [u8]),
    link: &mut Link,
    board: &mut board::Pieces<'_>,
) -> ([Outputs; 2], f32, Option<Angles>) {
    let first = Controller::restarted(machine, controller.record()).tick(inputs);
    let any = controller.tick(inputs);
    let written = image::write(machine, Fingerprint::default(), packed);
    let read = image::read(stored).is_ok_and(|image| image.machine.axes().count() == written.unwrap_or(0));
    let mut ready = machine.arms().iter().filter_map(|arm| Inverse::new(machine, arm).ok());
    let angles = ready.find_map(|inverse| inverse.solve(from, target).ok());
    link.both_ends(inputs);
    board.every_piece(inputs.now);
    (
        [first, any],
        every_float_function(x, y, z) + planted(x) + f32::from(u8::from(read)),
        angles,
    )
}

/// What the link is told, and what it says.
pub struct Link {
    told: ([u8; KEY_BYTES], Pair, Boot, Duration, u8),
    hand: HandEnd,
    machine: MachineEnd,
    sent: [Option<Packet>; 2],
    frame: HandFrame,
}

impl Link {
    fn both_ends(&mut self, inputs: &Inputs) {
        let (key, pair, boot, late, byte) = self.told;
        let _ = self.hand.receive(byte, inputs.now);
        let _ = self.machine.receive(byte, inputs.now);
        self.sent = [
            self.hand.send(&inputs.remote, inputs.now),
            self.machine.send(inputs.now),
        ];
        self.frame = self.machine.hand_frame(inputs.now);
        if let Ok(key) = PairingKey::new(key) {
            self.hand = HandEnd::new(&key, pair, boot);
            self.machine = MachineEnd::new(&key, pair, boot, late);
        }
    }
}

fn every_float_function(x: f32, y: f32, z: f32) -> f32 {
    let (s, c) = math::sin_cos(x);
    [
        s,
        c,
        math::sin(y),
        math::cos(y),
        math::atan2(y, x),
        math::acos(x),
        math::asin(x),
        math::sqrt(x),
        math::hypot(x, y),
        math::norm3(x, y, z),
        math::rough_norm3(x, y, z),
        math::abs(x),
        math::sign(x),
        math::min(x, y),
        math::max(x, y),
        math::clamp(x, y, z),
        math::lerp(x, y, z),
        math::wrap_angle(x),
    ]
    .iter()
    .sum()
}

#[cfg(feature = "panics-allowed")]
#[panic_handler]
fn panicked(how: &core::panic::PanicInfo) -> ! {
    // So that the way here is not optimised into a loop where the panic would be.
    core::hint::black_box(how);
    loop {}
}

/// Off the end of a table, if the argument says so.
#[cfg(feature = "planted-panic")]
fn planted(x: f32) -> f32 {
    [1.0, 2.0, 3.0][x as usize]
}

#[cfg(not(feature = "planted-panic"))]
fn planted(_: f32) -> f32 {
    0.0
}
