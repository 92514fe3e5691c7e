//! What the hands do in a golden run, by the tick.
//!
//! | ticks | what |
//! |---|---|
//! | 0 | everything at neutral: the self-test |
//! | 500 | the enabling switch; joint mode: every lever one way and then the other, then the arms inward, then other levers every few hundred ticks |
//! | 5,000 | let go, and taken again in tip mode: each lever of each arm for long enough to come to a limit or a zone, then all at once |
//! | 11,000 | a stop button, in motion; reset, enabled again, joint mode |
//! | 14,000 | the wire of a sensor opens, in motion; closed again, reset |
//! | 15,300 | the key turned to commissioning; tip mode in the frame of the seat, slow mode, orders to go somewhere; carry mode where there are two arms |
//! | 19,000 | the station falls silent |

use bellcrank_core::Machine;
use bellcrank_core::inputs::{Frame, GoTo, HandFrame, Mode, Target};
use bellcrank_core::machine::{AxisId, LEVERS_MAX};
use bellcrank_core::units::{Duration, Lever};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// So long the same levers are held, ticks.
const HELD: u64 = 350;
/// So long an order stands, ticks: time to come to rest, and to be looked at.
const ORDERED: u64 = 400;
/// A frame of a station comes every so often, ticks.
const FRAME: u64 = 5;

/// What the hands do in one tick.
pub struct Act {
    pub seat: HandFrame,
    pub remote_age: Option<Duration>,
    pub stop: bool,
    pub reset: bool,
    pub commissioning: bool,
    pub open_wire: Option<AxisId>,
}

/// The hands.
pub struct Hands<'m> {
    machine: &'m Machine,
    chance: ChaCha8Rng,
    levers: [Lever; LEVERS_MAX],
}

impl<'m> Hands<'m> {
    /// At the beginning.
    pub fn new(machine: &'m Machine) -> Self {
        Self {
            machine,
            chance: ChaCha8Rng::seed_from_u64(2),
            levers: HandFrame::default().levers,
        }
    }

    /// What they do in a tick. To be asked for each in turn.
    pub fn at(&mut self, tick: u64) -> Act {
        let mode = match tick {
            18_000..19_500 if self.machine.arms().len() > 1 => Mode::Carry,
            5_000..11_000 | 15_300..19_500 => Mode::Tip,
            _ => Mode::Joint,
        };
        let works = matches!(tick, 600..1_750 | 1_850..4_900 | 5_200..11_050 | 12_100..14_050 | 15_800..16_200 | 16_600..19_500);
        let orders = matches!(tick, 16_600..17_900);
        if works && !orders {
            if tick.is_multiple_of(HELD) {
                self.levers = match tick {
                    0..3_100 => self.all_one_way(tick),
                    3_100..4_500 => self.slews_inward(),
                    5_200..10_000 => self.one_way(tick),
                    _ => self.any_way(mode),
                };
            }
        } else {
            self.levers = HandFrame::default().levers;
        }
        let tick_us = self.machine.timing().tick.as_ticks();
        let age = |ticks: u64| {
            Some(Duration::from_ticks(
                u32::try_from(ticks).unwrap_or(u32::MAX).saturating_mul(tick_us),
            ))
        };
        let seat = HandFrame {
            age: age(tick % FRAME + tick.saturating_sub(19_000)),
            levers: self.levers,
            mode,
            frame: if matches!(tick, 15_300..17_000) {
                Frame::Seat
            } else {
                Frame::Machine
            },
            slow: matches!(tick, 16_000..16_200),
            go_to: orders.then(|| self.order(tick)),
            enable: matches!(tick, 500..4_950 | 5_100..11_100 | 12_000..14_100 | 15_700..20_000),
            stop_clear: true,
        };
        Act {
            seat,
            remote_age: self.machine.remote().and_then(|_| age(tick % FRAME)),
            stop: matches!(tick, 11_000..11_100),
            reset: matches!(tick, 11_600..11_650 | 15_000..15_050),
            commissioning: tick >= 15_300,
            open_wire: AxisId::new(1).filter(|_| matches!(tick, 14_000..14_400)),
        }
    }

    /// Every lever somewhere, most of them not far.
    fn any_way(&mut self, mode: Mode) -> [Lever; LEVERS_MAX] {
        let mut levers = HandFrame::default().levers;
        let own: Vec<u8> = match mode {
            Mode::Joint => self.machine.axes().filter_map(|(_, axis)| axis.lever).collect(),
            Mode::Tip | Mode::Carry => self.machine.arms().iter().flat_map(|arm| arm.levers.clone()).collect(),
        };
        for lever in own {
            // One of 128 steps from -1 to 1.
            let step = f32::from(self.chance.random::<i8>()) / 128.0;
            levers[usize::from(lever)] = Lever::new(0.7 * step).unwrap_or_default();
        }
        levers
    }

    /// The lever of every axis one way, and later the other; those of a second arm the other way round, so that arms come towards
    /// each other.
    fn all_one_way(&self, tick: u64) -> [Lever; LEVERS_MAX] {
        let mut levers = HandFrame::default().levers;
        let second = self.machine.arms().get(1);
        for (id, axis) in self.machine.axes() {
            let mirrored = second.is_some_and(|arm| arm.movers().any(|joint| joint.axis == id));
            let share = if (tick < 1_850) == mirrored { -0.8 } else { 0.8 };
            if let Some(lever) = axis.lever {
                levers[usize::from(lever)] = Lever::new(share).unwrap_or_default();
            }
        }
        levers
    }

    /// The first joint of each arm, the left one to the right, the right one to the left: to what stands between them, or each other.
    fn slews_inward(&self) -> [Lever; LEVERS_MAX] {
        let mut levers = HandFrame::default().levers;
        for (arm, share) in self.machine.arms().iter().zip([-0.8, 0.8]) {
            let first = arm.joints.first().and_then(|joint| self.machine.axis(joint.axis));
            if let Some(lever) = first.and_then(|axis| axis.lever) {
                levers[usize::from(lever)] = Lever::new(share).unwrap_or_default();
            }
        }
        levers
    }

    /// One lever of each arm fully one way, each in its turn; that of a second arm the other way.
    fn one_way(&self, tick: u64) -> [Lever; LEVERS_MAX] {
        let mut levers = HandFrame::default().levers;
        let turn = usize::try_from(tick / HELD).unwrap_or(0);
        let share = if turn.is_multiple_of(2) { 1.0 } else { -1.0 };
        for (arm, way) in self.machine.arms().iter().zip([1.0, -1.0]) {
            let lever = arm.levers[turn / 2 % arm.levers.len()];
            levers[usize::from(lever)] = Lever::new(way * share).unwrap_or_default();
        }
        levers
    }

    /// A place a little way off, another every so often; the first and the last are out of reach.
    fn order(&self, tick: u64) -> GoTo {
        let number = tick / ORDERED;
        let far = if number % 3 == 2 { 5.0 } else { 0.2 };
        let arms = self.machine.arms().len().max(1);
        GoTo {
            number: number.to_le_bytes()[0],
            arm: u8::try_from(usize::try_from(number).unwrap_or(0) % arms).unwrap_or(0),
            to: Target::By([if number.is_multiple_of(2) { -far } else { far }, 0.0, 0.1]),
            frame: Frame::Machine,
            speed: 0.2,
        }
    }
}
