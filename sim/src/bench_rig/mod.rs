//! One valve and one cylinder on a test bench: its file, its run, its results, and how they compare with a recorded run.
//!
//! With none of the keys that may be left out, and no pump and no load-holding valve, a bench is the textbook problem of six states
//! that `tests/rig.rs` spells out and solves a second time, as long as no end of the stroke is reached and no chamber comes near
//! vacuum.
//!
//! The file is TOML with the unit in each key, in the words of the machine file. What may be left out stands in brackets:
//!
//! | key | what |
//! |---|---|
//! | `name` | what the bench is called |
//! | `end_s`, `interval_ms` | length of the programme; time between two rows of the result |
//! | (`accuracy`) | error allowed in each step of the integration, relative (2e-3) |
//! | `[mass]` | `mass_kg`: the mass on the rod; (`slope_deg`): how steeply uphill extending moves it, 90 is straight up (0) |
//! | `[cylinder]` | as in a machine file: `bore_mm`, `rod_mm`, `stroke_mm`, `dead_l` (bore side, rod side), `leak_cm3_s_bar`, `viscous_ns_m`, `coulomb_n`, (`coulomb_at_mm_s`) (5), (`breakaway_n`) (as `coulomb_n`), (`breakaway_at_mm_s`) (10), (`swell_cm3_bar`) (two numbers; none), `cushion_mm` |
//! | `[valve]` | as a machine file's `[valve.NAME]`: `rated_lpm`, `rated_drop_bar` (of one land, fully open), `blend_bar`, `overlap_out`, `overlap_in`, (`land_share`) (P to A, P to B, A to T, B to T; all 1), (`progression`) (0), (`land_leak_cm3_s_bar`) (0), `spool_hz`, `spool_zeta`, (`slew_per_s`), (`hysteresis_percent`), (`stiction_percent`), (`delay_ms`) (none), `check_lpm`, `check_drop_bar`, (`port_relief_bar`) (none), `load_check` |
//! | (`[holding]`) | a load-holding valve, as in a machine file: `kind`, `setting_bar` or `spring_bar`, `on`, `pilot_ratio`, `flow_lpm`, `drop_bar`, `band_bar`, `line_l` |
//! | `[supply]` | an ideal one: `pressure_bar`, `tank_bar`, both constant, whatever is drawn; or |
//! | `[pump]` | all keys of a machine file's `[supply]`, and (`[engine]`) with those of its `[engine]` (something that never slows down) |
//! | `[oil]` | as in a machine file: `density_kg_m3`, `bulk_modulus_mpa`, (`air_percent`), (`grade_vg`), (`at_100_c_mm2_s`), (`working_c`): where the leakages and frictions of the file hold |
//! | `[start]` | `stroke_mm`, `pressure_bar` (bore side, rod side); with `[holding]` (`port_bar`): ports A and B of the valve (tank; in an open pipe as its chamber); with `[pump]` (`supply_bar`): its line (its `pressure_bar`) |
//! | `[[step]]` | `at_s`, and from then on any of the following |
//! | `command` | spool demand, -1 to 1; 0 before the first |
//! | `load_n` | force against extension; 0 before the first |
//! | `oil_c` | temperature of the oil; `working_c` before the first |
//! | `hole_mm` | diameters of a hole in the hose at port A and at port B of the valve; none before the first |
//! | `engine` | with `[pump]`: true is switched on, as before the first |
//! | `dump_closed` | with `[pump]`: true is with current on the dump valve, as before the first |

mod columns;
mod file;
mod picture;
mod recording;
mod report;

use crate::plant::rig::{Rig, Sample};
use crate::plant::{Accuracy, PlantError, Work};

pub use file::{load, read};
pub use picture::picture;
pub use recording::{Comparison, Recording, RecordingError};
pub use report::{ColumnDifference, RecordingReport, RigReport, Span, report};

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

    /// Runs the programme once more, looking at the times of a recording.
    ///
    /// # Errors
    /// As [`Bench::run`].
    pub fn compare(&self, recording: Recording) -> Result<Comparison, PlantError> {
        let (ours, _) = self.rig.run_looking_at(self.accuracy, recording.times())?;
        Ok(Comparison { recording, ours })
    }

    /// A run's samples as CSV, in SI: `t_s`, `x_m`, `v_m_s`, `pA_Pa`, `pB_Pa`, `spool`, `spool_rate_1_s`; with a load-holding valve
    /// `portA_Pa`, `portB_Pa`; with a pump `supply_Pa`, `pump_m3_s`; with an engine `engine_rad_s`.
    pub fn csv(&self, record: &Record) -> Vec<u8> {
        columns::csv(&self.rig, &record.samples)
    }
}
