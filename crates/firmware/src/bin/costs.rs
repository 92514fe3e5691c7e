//! What each stage of a tick costs, and each float function: in counts of the timer, told in the log.
//!
//! A tick is taken apart here as `Controller::tick` puts it together; that its outputs are the same is seen to by whoever asks. The costs
//! of the stages are told when it is asked who it is; those of the functions at the start, as counts of all calls together.

#![no_std]
#![no_main]

use core::hint::black_box;

use bellcrank_core::drive::Drive;
use bellcrank_core::gate::Gate;
use bellcrank_core::last_tick::LastTick;
use bellcrank_core::machine::image::{self, IMAGE_MAX};
use bellcrank_core::plan::Plan;
use bellcrank_core::sense::Sense;
use bellcrank_core::supervise::{RECORD_LEN, Supervise};
use bellcrank_core::{Inputs, Machine, Outputs, guard, math};
use bellcrank_firmware::{Pipe, Timer, paint_stack, stack_depth, stack_used};
use bellcrank_hal::exchange::{Answer, Ask, Clock, PROTOCOL, Receiver, Turned, framed};
use cortex_m_rt::entry;
use cortex_m_semihosting::debug;
use embedded_io::{Read, Write};
use micromath::F32Ext;
use {defmt_semihosting as _, panic_semihosting as _};

const STAGES: [&str; 6] = ["sense", "supervise", "plan", "guard", "drive", "gate"];
/// Calls of each function.
const CALLS: u16 = 256;

#[entry]
fn main() -> ! {
    let timer = Timer::start(None);
    functions(&timer);
    if let Some(mut pipe) = Pipe::open() {
        serve(&mut pipe, &timer);
    }
    debug::exit(debug::EXIT_SUCCESS);
    loop {
        cortex_m::asm::wfi();
    }
}

/// A tick, taken apart.
#[derive(Default)]
struct Apart {
    sense: Sense,
    supervise: Supervise,
    plan: Plan,
    drive: Drive,
    gate: Gate,
    last: LastTick,
    /// Of each stage, counts of all ticks together, and the most of one.
    costs: [(u64, u32); 6],
    ticks: u32,
    /// What of the stack is in use around the ticks, bytes.
    depth: u32,
}

impl Apart {
    fn tick(&mut self, machine: &Machine, inputs: &Inputs, timer: &Timer) -> Outputs {
        let mut marks = [timer.count(); 7];
        let posture = self.sense.step(machine, inputs);
        marks[1] = timer.count();
        let permit = self.supervise.step(machine, &posture, inputs, &self.last);
        marks[2] = timer.count();
        let wanted = self.plan.step(machine, &posture, &permit, inputs);
        marks[3] = timer.count();
        let (rates, guarded) = guard::step(machine, &posture, &permit, &wanted);
        marks[4] = timer.count();
        let driven = self.drive.step(machine, &posture, &permit, &rates);
        marks[5] = timer.count();
        let outputs = self.gate.step(machine, inputs, &permit, driven.stamp, &driven.valves);
        marks[6] = timer.count();
        for (cost, pair) in self.costs.iter_mut().zip(marks.windows(2)) {
            let counts = pair[1].wrapping_sub(pair[0]);
            *cost = (cost.0 + u64::from(counts), cost.1.max(counts));
        }
        self.ticks += 1;
        self.last = LastTick {
            guarded,
            refused: wanted.refused,
            driven,
            relays: outputs.relays,
            tips: wanted.tips,
            tip_velocities: wanted.tip_velocities,
        };
        outputs
    }

    fn tell(&mut self) {
        for (stage, (all, most)) in STAGES.iter().zip(self.costs) {
            defmt::println!("stage,{=str},{=u32},{=u64},{=u32}", stage, self.ticks, all, most);
        }
        (self.costs, self.ticks) = Default::default();
        defmt::println!("stack,{=u32},{=u32}", self.depth, stack_used());
    }
}

fn serve(pipe: &mut Pipe, timer: &Timer) {
    let (mut receiver, mut memory) = (Receiver::default(), [0; IMAGE_MAX]);
    let mut machine = None;
    let mut apart = Apart::default();
    let mut byte = [0];
    while let Ok(1) = pipe.read(&mut byte) {
        if !receiver.take(byte[0]) {
            continue;
        }
        let answer = match postcard::from_bytes(receiver.payload()) {
            Ok(Ask::Image { at, bytes, last }) => {
                let length = at as usize + bytes.len();
                memory[at as usize..length].copy_from_slice(bytes);
                if last {
                    machine = image::read(&memory[..length]).ok().map(|image| image.machine);
                    apart = Apart {
                        depth: stack_depth(),
                        ..Apart::default()
                    };
                    // From here on it is the stack of ticks alone.
                    paint_stack();
                    Answer::Started
                } else {
                    Answer::Piece
                }
            }
            Ok(Ask::Turn(inputs)) => match &machine {
                Some(machine) => {
                    let before = timer.count();
                    let outputs = apart.tick(machine, &inputs, timer);
                    Answer::Turned(Turned {
                        outputs,
                        record: [0; RECORD_LEN],
                        fed: false,
                        counts: timer.count().wrapping_sub(before),
                    })
                }
                None => Answer::NoMachine,
            },
            Ok(Ask::Who) => {
                apart.tell();
                Answer::Board {
                    protocol: PROTOCOL,
                    image: None,
                    stack: timer.stack(),
                    counts_a_second: Timer::COUNTS_A_SECOND,
                }
            }
            _ => Answer::NotUnderstood,
        };
        if let Some(frame) = framed(&answer) {
            let _ = pipe.write(&frame);
        }
    }
}

/// Counts of so many calls of a function of two numbers, from the least to the greatest.
fn counts(timer: &Timer, (least, greatest): (f32, f32), call: impl Fn(f32, f32) -> f32) -> u32 {
    let before = timer.count();
    for step in 0..CALLS {
        let x = least + (greatest - least) * f32::from(step) / f32::from(CALLS);
        black_box(call(black_box(x), black_box(1.5)));
    }
    timer.count().wrapping_sub(before)
}

/// Three of each kind: the core's, the rough one that it is made of, and the usual one.
fn functions(timer: &Timer) {
    let empty = |range| counts(timer, range, |x, _| x);
    let tell =
        |name: &str, range, ours: fn(f32, f32) -> f32, rough: fn(f32, f32) -> f32, usual: fn(f32, f32) -> f32| {
            let empty = empty(range);
            let of = |call: fn(f32, f32) -> f32| counts(timer, range, call).saturating_sub(empty);
            let (ours, rough, usual) = (of(ours), of(rough), of(usual));
            defmt::println!(
                "function,{=str},{=u16},{=u32},{=u32},{=u32}",
                name,
                CALLS,
                ours,
                rough,
                usual
            );
        };
    let turn = (-3.0, 3.0);
    tell(
        "sin",
        turn,
        |x, _| math::sin(x),
        |x, _| F32Ext::sin(x),
        |x, _| libm::sinf(x),
    );
    tell(
        "cos",
        turn,
        |x, _| math::cos(x),
        |x, _| F32Ext::cos(x),
        |x, _| libm::cosf(x),
    );
    tell("atan2", turn, math::atan2, F32Ext::atan2, libm::atan2f);
    tell(
        "acos",
        (-0.99, 0.99),
        |x, _| math::acos(x),
        |x, _| F32Ext::acos(x),
        |x, _| libm::acosf(x),
    );
    tell(
        "asin",
        (-0.99, 0.99),
        |x, _| math::asin(x),
        |x, _| F32Ext::asin(x),
        |x, _| libm::asinf(x),
    );
    tell(
        "sqrt",
        (0.01, 9.0),
        |x, _| math::sqrt(x),
        |x, _| F32Ext::sqrt(x),
        |x, _| libm::sqrtf(x),
    );
    tell("hypot", turn, math::hypot, F32Ext::hypot, libm::hypotf);
}
