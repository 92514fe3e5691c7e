//! One valve and one cylinder on a test bench: its file, its run, its results.
//!
//! The file is TOML with the unit in each key, in the words of the machine file:
//!
//! | key | what |
//! |---|---|
//! | `name` | what the bench is called |
//! | `end_s`, `interval_ms` | length of the programme; time between two rows of the result |
//! | `accuracy` | error allowed in each step of the integration, relative (may be left out: 1e-3) |
//! | `[mass]` `mass_kg` | the mass on the rod |
//! | `[cylinder]` | `bore_mm`, `rod_mm`, `stroke_mm`, `dead_l` (bore side, rod side), `leak_cm3_s_bar`, `viscous_ns_m`, `coulomb_n`, `coulomb_at_mm_s` (may be left out: 5), `cushion_mm` |
//! | `[valve]` | `rated_lpm`, `rated_drop_bar` (of one land, fully open), `blend_bar`, `overlap_out`, `overlap_in`, `spool_hz`, `spool_zeta`, `check_lpm`, `check_drop_bar`, `port_relief_bar` (may be left out: none), `load_check` |
//! | `[supply]` | `pressure_bar`, `tank_bar`: both constant, whatever is drawn |
//! | `[oil]` | `density_kg_m3`, `bulk_modulus_mpa` |
//! | `[start]` | `stroke_mm`, `pressure_bar` (bore side, rod side) |
//! | `[[step]]` | `at_s`, and from then on `command` (spool demand, -1 to 1) or `load_n` (positive against extension) or both; zero before the first |

mod file;
mod picture;
mod report;

use crate::plant::rig::{Rig, Sample};
use crate::plant::{Accuracy, PlantError, Work};

pub use file::{load, read};
pub use picture::picture;
pub use report::{RigReport, Span, csv, report};

/// A bench, and how its run is to be looked at.
#[derive(Debug, Clone, PartialEq)]
pub struct Bench {
    /// What it is called.
    pub name: String,
    /// The bench and its programme.
    pub rig: Rig,
    /// Time between two samples, s.
    pub interval: f64,
    /// How accurately to integrate.
    pub accuracy: Accuracy,
}

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// Start, every interval, and end.
    pub samples: Vec<Sample>,
    /// Work of the integrator.
    pub work: Work,
}

impl Bench {
    /// Runs the programme.
    ///
    /// # Errors
    /// [`PlantError`] where the bench could not be integrated as accurately as asked.
    pub fn run(&self) -> Result<Record, PlantError> {
        let (samples, work) = self.rig.run(self.accuracy, self.interval)?;
        Ok(Record { samples, work })
    }
}
