//! Why a plant cannot be made, or not be integrated further.

use bellcrank_machine::geometry::GeometryError;

use super::bodies;
use super::integrator::StepError;

/// Why a plant could not be integrated further. It stands where it was after the last good step.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlantError {
    /// The steps became too short.
    #[error("at {time:.6} s the {state} cannot be integrated: it needs ever shorter steps")]
    TooStiff {
        /// Time reached, s.
        time: f64,
        /// The state with the largest error.
        state: String,
    },
    /// A state or its rate is no number.
    #[error("at {time:.6} s the {state} is not finite")]
    NotFinite {
        /// Time reached, s.
        time: f64,
        /// The first such state.
        state: String,
    },
}

impl PlantError {
    /// A failed step, with a name for its state.
    pub(super) fn new(error: &StepError, name: impl Fn(usize) -> String) -> PlantError {
        match *error {
            StepError::TooStiff { time, state } => PlantError::TooStiff {
                time,
                state: name(state),
            },
            StepError::NotFinite { time, state } => PlantError::NotFinite {
                time,
                state: name(state),
            },
        }
    }
}

/// Why a machine file does not make a plant.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BuildError {
    /// Its arms do not make a tree of joints.
    #[error(transparent)]
    Tree(#[from] bodies::TreeError),
    /// A linkage does not close in the middle of its joint's range.
    #[error("the linkage of {axis}: {error}")]
    Linkage {
        /// Name of the axis.
        axis: String,
        /// What is wrong with it.
        error: GeometryError,
    },
}
