//! What the hands say, as it stands in a frame: the only place where the core's types are turned into the wire's and back.

use bellcrank_core::inputs::{Frame, GoTo, HandFrame, Mode, Target};
use bellcrank_core::machine::LEVERS_MAX;
use bellcrank_core::math;
use bellcrank_core::units::Lever;
use serde::{Deserialize, Serialize};

use crate::refused::Refused;

/// Lever travel is sent in this many steps each way: the most that takes two bytes.
const LEVER_STEPS: i16 = 8191;

/// What is said of the stop button. The two differ in all 16 bits, and everything but the first is a stop: 16 bits have to be wrong,
/// after a tag that was right, before a stop is taken for none.
const STOP_CLEAR: [u8; 2] = [0xa5, 0x3c];
const STOP: [u8; 2] = [0x5a, 0xc3];

/// What a [`HandFrame`] says, but for its age.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Said {
    stop: [u8; 2],
    enable: bool,
    mode: SaidMode,
    frame: SaidFrame,
    slow: bool,
    go_to: Option<SaidGoTo>,
    levers: [i16; LEVERS_MAX],
}

/// What the levers mean.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
enum SaidMode {
    Joint,
    Tip,
    Carry,
}

/// Which way forward is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
enum SaidFrame {
    Machine,
    Seat,
    Tool,
}

/// An order for a place to go to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct SaidGoTo {
    number: u8,
    arm: u8,
    to: SaidTarget,
    frame: SaidFrame,
    speed: f32,
}

/// Where to, m.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
enum SaidTarget {
    At([f32; 3]),
    By([f32; 3]),
}

impl From<&HandFrame> for Said {
    fn from(frame: &HandFrame) -> Self {
        // Taken apart in full: what is added there has to be added here.
        let &HandFrame {
            age: _,
            levers,
            mode,
            frame,
            slow,
            go_to,
            enable,
            stop_clear,
        } = frame;
        Self {
            stop: if stop_clear { STOP_CLEAR } else { STOP },
            enable,
            mode: match mode {
                Mode::Joint => SaidMode::Joint,
                Mode::Tip => SaidMode::Tip,
                Mode::Carry => SaidMode::Carry,
            },
            frame: frame.into(),
            slow,
            go_to: go_to.map(SaidGoTo::from),
            levers: levers.map(steps),
        }
    }
}

impl TryFrom<Said> for HandFrame {
    type Error = Refused;

    /// The frame, its age left open.
    fn try_from(said: Said) -> Result<Self, Refused> {
        let mut frame = Self {
            age: None,
            levers: [Lever::default(); LEVERS_MAX],
            mode: match said.mode {
                SaidMode::Joint => Mode::Joint,
                SaidMode::Tip => Mode::Tip,
                SaidMode::Carry => Mode::Carry,
            },
            frame: said.frame.into(),
            slow: said.slow,
            go_to: said.go_to.map(GoTo::try_from).transpose()?,
            enable: said.enable,
            stop_clear: said.stop == STOP_CLEAR,
        };
        for (lever, steps) in frame.levers.iter_mut().zip(said.levers) {
            *lever = share(steps)?;
        }
        Ok(frame)
    }
}

impl From<Frame> for SaidFrame {
    fn from(frame: Frame) -> Self {
        match frame {
            Frame::Machine => Self::Machine,
            Frame::Seat => Self::Seat,
            Frame::Tool => Self::Tool,
        }
    }
}

impl From<SaidFrame> for Frame {
    fn from(said: SaidFrame) -> Self {
        match said {
            SaidFrame::Machine => Self::Machine,
            SaidFrame::Seat => Self::Seat,
            SaidFrame::Tool => Self::Tool,
        }
    }
}

impl From<GoTo> for SaidGoTo {
    fn from(order: GoTo) -> Self {
        let GoTo {
            number,
            arm,
            to,
            frame,
            speed,
        } = order;
        Self {
            number,
            arm,
            to: match to {
                Target::At(at) => SaidTarget::At(at),
                Target::By(by) => SaidTarget::By(by),
            },
            frame: frame.into(),
            speed,
        }
    }
}

impl TryFrom<SaidGoTo> for GoTo {
    type Error = Refused;

    /// The order, if all its numbers are numbers. Whether it can be followed is for the core to say.
    fn try_from(said: SaidGoTo) -> Result<Self, Refused> {
        let (SaidTarget::At(way) | SaidTarget::By(way)) = said.to;
        if !(said.speed.is_finite() && way.iter().all(|number| number.is_finite())) {
            return Err(Refused::Malformed);
        }
        Ok(Self {
            number: said.number,
            arm: said.arm,
            to: match said.to {
                SaidTarget::At(at) => Target::At(at),
                SaidTarget::By(by) => Target::By(by),
            },
            frame: said.frame.into(),
            speed: said.speed,
        })
    }
}

/// A lever's travel in steps, to the nearest.
fn steps(lever: Lever) -> i16 {
    let steps = lever.share() * f32::from(LEVER_STEPS);
    #[allow(clippy::cast_possible_truncation, reason = "a lever's share is within 1")]
    let nearest = (steps + 0.5 * math::sign(steps)) as i16;
    nearest
}

fn share(steps: i16) -> Result<Lever, Refused> {
    Lever::new(f32::from(steps) / f32::from(LEVER_STEPS)).map_err(|_| Refused::Malformed)
}

#[cfg(test)]
pub mod tests {
    use bellcrank_core::units::Duration;
    use proptest::prelude::*;

    use super::*;

    pub fn frame() -> impl Strategy<Value = HandFrame> {
        (
            prop::array::uniform16(-1.0_f32..=1.0),
            any::<[bool; 3]>(),
            prop::sample::select(&[Mode::Joint, Mode::Tip, Mode::Carry][..]),
            way(),
            proptest::option::of(order()),
            proptest::option::of(any::<u32>()),
        )
            .prop_map(
                |(levers, [slow, enable, stop_clear], mode, frame, go_to, age)| HandFrame {
                    age: age.map(Duration::from_ticks),
                    levers: levers.map(|share| Lever::new(share).unwrap()),
                    mode,
                    frame,
                    slow,
                    go_to,
                    enable,
                    stop_clear,
                },
            )
    }

    fn way() -> impl Strategy<Value = Frame> {
        prop::sample::select(&[Frame::Machine, Frame::Seat, Frame::Tool][..])
    }

    fn order() -> impl Strategy<Value = GoTo> {
        let to = (any::<bool>(), prop::array::uniform3(-1e6_f32..1e6));
        (any::<[u8; 2]>(), to, way(), -10.0_f32..10.0).prop_map(|([number, arm], (at, to), frame, speed)| GoTo {
            number,
            arm,
            to: if at { Target::At(to) } else { Target::By(to) },
            frame,
            speed,
        })
    }

    proptest! {
        #[test]
        fn what_the_hands_said_arrives(frame in frame()) {
            let arrived = HandFrame::try_from(Said::from(&frame)).unwrap();
            prop_assert_eq!(arrived.age, None);
            for (arrived, sent) in arrived.levers.iter().zip(frame.levers) {
                prop_assert!((arrived.share() - sent.share()).abs() <= 0.5 / f32::from(LEVER_STEPS) + 1e-7);
            }
            prop_assert_eq!(
                HandFrame { age: frame.age, levers: frame.levers, ..arrived },
                frame
            );
            // Sent on, it stays as it is.
            prop_assert_eq!(Said::from(&arrived), Said::from(&frame));
        }
    }

    #[test]
    fn an_order_of_what_is_no_number_is_refused() {
        let order = GoTo {
            number: 1,
            arm: 0,
            to: Target::By([0.0, 0.8, 0.0]),
            frame: Frame::Seat,
            speed: 0.25,
        };
        for (to, speed) in [
            (Target::By([0.0, f32::NAN, 0.0]), 0.25),
            (Target::At([f32::INFINITY, 0.0, 0.0]), 0.25),
            (order.to, f32::NAN),
        ] {
            assert_eq!(
                GoTo::try_from(SaidGoTo::from(GoTo { to, speed, ..order })),
                Err(Refused::Malformed)
            );
        }
        assert_eq!(GoTo::try_from(SaidGoTo::from(order)), Ok(order));
    }

    #[test]
    fn only_one_word_of_all_is_no_stop() {
        let mut said = Said::from(&HandFrame::default());
        for word in 0..=u16::MAX {
            said.stop = word.to_le_bytes();
            let clear = HandFrame::try_from(said).unwrap().stop_clear;
            assert_eq!(clear, word.to_le_bytes() == STOP_CLEAR);
        }
        let apart = |a: [u8; 2], b: [u8; 2]| (u16::from_le_bytes(a) ^ u16::from_le_bytes(b)).count_ones();
        assert_eq!(apart(STOP, STOP_CLEAR), 16);
        // What memory that failed, or a line that broke, reads as.
        assert!(apart(STOP_CLEAR, [0; 2]) >= 8 && apart(STOP_CLEAR, [0xff; 2]) >= 8);
    }

    #[test]
    fn an_order_with_what_is_no_number_is_none() {
        let order = GoTo {
            number: 1,
            arm: 0,
            to: Target::At([1.0, 2.0, 3.0]),
            frame: Frame::Seat,
            speed: 0.1,
        };
        let read = |order: GoTo| GoTo::try_from(SaidGoTo::from(order));
        assert_eq!(read(order), Ok(order));
        for wrong in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY] {
            assert_eq!(read(GoTo { speed: wrong, ..order }), Err(Refused::Malformed));
            for axis in 0..3 {
                let mut to = [0.0; 3];
                to[axis] = wrong;
                for to in [Target::At(to), Target::By(to)] {
                    assert_eq!(read(GoTo { to, ..order }), Err(Refused::Malformed));
                }
            }
        }
    }

    #[test]
    fn each_step_of_a_lever_is_its_own() {
        for n in -LEVER_STEPS..=LEVER_STEPS {
            assert_eq!(steps(share(n).unwrap()), n);
        }
        assert_eq!(share(LEVER_STEPS), Ok(Lever::new(1.0).unwrap()));
        for n in [i16::MIN, -LEVER_STEPS - 1, LEVER_STEPS + 1, i16::MAX] {
            assert_eq!(share(n), Err(Refused::Malformed));
        }
        // To the nearest, away from zero half way.
        let step = 1.0 / f32::from(LEVER_STEPS);
        for (share, n) in [(0.49, 0), (0.51, 1), (-0.49, 0), (-0.51, -1)] {
            assert_eq!(steps(Lever::new(share * step).unwrap()), n);
        }
    }
}
