//! The causes that stand and those that are latched.

use crate::cause::{Category, Cause};
use crate::machine::AxisId;

/// A set of causes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CauseSet(u32);

impl CauseSet {
    /// Adds a cause.
    pub fn insert(&mut self, cause: Cause) {
        self.0 |= bit(cause);
    }

    /// The cause is in it.
    pub fn contains(self, cause: Cause) -> bool {
        self.0 & bit(cause) != 0
    }

    /// No cause is in it.
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Any cause of this category that is (or is not) a fault.
    pub fn any(self, category: Category, fault: bool) -> bool {
        Cause::ALL
            .into_iter()
            .any(|cause| self.contains(cause) && cause.category() == category && cause.is_fault() == fault)
    }
}

const fn bit(cause: Cause) -> u32 {
    1_u32.wrapping_shl(cause as u32)
}

/// A cause with the axis it is about.
pub type Blame = (Cause, Option<AxisId>);

/// What is latched, and what was latched first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Latches {
    latched: CauseSet,
    first: Option<Blame>,
}

impl Latches {
    /// Latches a cause. True if it was not latched before.
    pub fn latch(&mut self, (cause, axis): Blame) -> bool {
        let new = !self.latched.contains(cause);
        self.latched.insert(cause);
        match self.first {
            Some((first, _)) if !cause.explains(first) => {}
            _ => self.first = Some((cause, axis)),
        }
        new
    }

    /// Lets go of everything.
    pub fn clear(&mut self) {
        *self = Self::default();
    }

    /// All that is latched.
    pub fn set(self) -> CauseSet {
        self.latched
    }

    /// The cause that was latched first since the last reset, or what turned out to lie behind it.
    pub fn first(self) -> Option<Blame> {
        self.first
    }
}
