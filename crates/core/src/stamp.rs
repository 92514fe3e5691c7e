//! Whether what reached the gate has gone through every stage, in order, in this tick: the programme flow watched from within.
//!
//! Sensing starts a stamp with the number of the tick; every further stage passes on the one that it was handed, with its own name on
//! it. A stage that was left out, came out of turn or worked on what the last tick left spoils it. The gate takes nothing without a
//! whole stamp of a new tick, and feeds the external watchdog only then. The measure is the logical monitoring of the programme sequence of
//! IEC 61508-7, A.9.4 (number from memory).

/// The stages before the gate, in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Stage {
    /// See [`crate::sense`].
    Sense,
    /// See [`crate::supervise`].
    Supervise,
    /// See [`crate::plan`].
    Plan,
    /// See [`crate::guard`].
    Guard,
    /// See [`crate::drive`].
    Drive,
}

impl Stage {
    /// The one whose work it goes on with. Sensing goes on with nobody's.
    const fn before(self) -> Option<Self> {
        match self {
            Self::Sense => None,
            Self::Supervise => Some(Self::Sense),
            Self::Plan => Some(Self::Supervise),
            Self::Guard => Some(Self::Plan),
            Self::Drive => Some(Self::Guard),
        }
    }
}

/// How far one tick has come. By default it has come nowhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Stamp {
    tick: u32,
    last: Option<Stage>,
}

impl Stamp {
    /// The stamp with which sensing starts a tick.
    pub fn sensed(tick: u32) -> Self {
        Self {
            tick,
            last: Some(Stage::Sense),
        }
    }

    /// It with the name of one more stage; spoilt if that is not the one that follows.
    #[must_use]
    pub fn through(self, stage: Stage) -> Self {
        let follows = self.last.is_some() && self.last == stage.before();
        Self {
            last: follows.then_some(stage),
            ..self
        }
    }

    /// This tick's work goes on from that of the tick before, which went through every stage. Before the first there was none.
    pub fn follows(self, earlier: Self) -> bool {
        earlier.whole() == Some(self.tick.wrapping_sub(1)) || (self.tick == 1 && earlier == Self::default())
    }

    /// The number of its tick, once it has gone through every stage before the gate.
    pub fn whole(self) -> Option<u32> {
        (self.last == Some(Stage::Drive)).then_some(self.tick)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Stage::{Drive, Guard, Plan, Sense, Supervise};

    fn stamp(stages: &[Stage]) -> Stamp {
        stages
            .iter()
            .fold(Stamp::sensed(7), |stamp, stage| stamp.through(*stage))
    }

    #[test]
    fn only_every_stage_in_order_makes_it_whole() {
        assert_eq!(stamp(&[Supervise, Plan, Guard, Drive]).whole(), Some(7));
        assert_eq!(
            Stamp::default()
                .through(Supervise)
                .through(Plan)
                .through(Guard)
                .through(Drive)
                .whole(),
            None
        );
        for wrong in [
            &[Supervise, Plan, Guard][..],
            &[Supervise, Plan, Drive],
            &[Plan, Supervise, Guard, Drive],
            &[Supervise, Supervise, Plan, Guard, Drive],
            &[Supervise, Plan, Guard, Drive, Drive],
            &[Sense, Supervise, Plan, Guard, Drive],
        ] {
            assert_eq!(stamp(wrong).whole(), None, "{wrong:?}");
        }
    }

    #[test]
    fn a_tick_follows_the_whole_one_before_it_alone() {
        let whole = stamp(&[Supervise, Plan, Guard, Drive]);
        for (tick, earlier, follows) in [
            (8, whole, true),
            (7, whole, false),
            (9, whole, false),
            (8, stamp(&[Supervise, Plan]), false),
            (8, Stamp::default(), false),
            (1, Stamp::default(), true),
            (1, whole, false),
        ] {
            assert_eq!(
                Stamp::sensed(tick).follows(earlier),
                follows,
                "{tick} after {earlier:?}"
            );
        }
    }
}
