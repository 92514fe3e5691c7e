//! Reference cases with known answers, each defined once: the arms in `machines/`, the rig among the simulator's own rig
//! files, their answers in `data/`, where their sources stand too. Tests hold our answers to them; benches measure how
//! fast we get there.
//!
//! Files that are not as they should be are mistakes of the repository: everything here panics on them.

use std::path::{Path, PathBuf};

use bellcrank_machine::description::Description;
use bellcrank_sim::bench_rig;
use bellcrank_sim::plant::Bodies;
use bellcrank_sim::plant::rig::{Rig, Sample};

/// A file of the tests' own folder.
fn here(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(file)
}

/// Rows of a CSV file of numbers, under headings.
#[derive(Debug, Clone, PartialEq)]
pub struct Rows {
    /// The headings.
    pub headings: Vec<String>,
    /// A number for each heading in each row.
    pub rows: Vec<Vec<f64>>,
}

impl Rows {
    /// Reads a file.
    ///
    /// # Panics
    /// If it is not there, or a cell is no number.
    pub fn read(path: &Path) -> Rows {
        let mut reader = csv::Reader::from_path(path).expect("a CSV file");
        let headings = reader.headers().expect("headings").iter().map(str::to_owned).collect();
        let number = |cell: &str| cell.parse().expect("a number");
        let rows = reader
            .records()
            .map(|row| row.expect("a row").iter().map(number).collect())
            .collect();
        Rows { headings, rows }
    }

    /// The number in a row under a heading.
    ///
    /// # Panics
    /// If there is no such row or heading.
    pub fn value(&self, row: usize, heading: &str) -> f64 {
        let column = self.headings.iter().position(|h| h == heading);
        self.rows[row][column.unwrap_or_else(|| panic!("no column {heading}"))]
    }

    /// The numbers under `stem` 0, 1 and so on: one for each joint.
    pub fn vector(&self, row: usize, stem: &str, len: usize) -> Vec<f64> {
        (0..len).map(|i| self.value(row, &format!("{stem}{i}"))).collect()
    }

    /// A matrix, row by row, from the headings `stem`, row, `join`, column.
    pub fn grid(&self, row: usize, stem: &str, size: (usize, usize), join: &str) -> Vec<f64> {
        (0..size.0 * size.1)
            .map(|k| self.value(row, &format!("{stem}{}{join}{}", k / size.1, k % size.1)))
            .collect()
    }
}

/// An arm that a rigid-body library has worked out at 50 states.
pub struct OracleArm {
    /// Its machine file.
    pub machine: Description,
    /// Its bodies.
    pub bodies: Bodies,
    /// What the library found.
    pub rows: Rows,
}

impl OracleArm {
    /// `a`, a slewing column and three slender links in a plane, or `b`, six joints of round bars.
    ///
    /// # Panics
    /// If there is no such arm.
    pub fn named(name: &str) -> OracleArm {
        let machine = bellcrank_machine::load(here(&format!("machines/oracle-{name}.toml"))).expect("a machine file");
        OracleArm {
            bodies: Bodies::of_machine(&machine).expect("a chain"),
            machine,
            rows: Rows::read(&here(&format!("data/arm-oracle-{name}.csv"))),
        }
    }
}

/// The single-cylinder benchmark, and its solution every 10 ms.
pub struct SingleCylinder {
    /// The rig.
    pub rig: Rig,
    /// The solution.
    pub reference: Vec<Sample>,
}

/// How far a run of the single-cylinder benchmark is off at worst.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Errors {
    /// Of the position, as a share of the way between the least and the greatest position.
    pub position: f64,
    /// Of the two pressures, as a share of 100 bar.
    pub pressure: f64,
}

impl SingleCylinder {
    /// Time between two rows of the solution, s.
    pub const INTERVAL: f64 = 0.01;

    /// Reads rig and solution.
    ///
    /// # Panics
    /// If either is not as it should be.
    pub fn read() -> SingleCylinder {
        let solution = Rows::read(&here("data/cylinder-benchmark.csv"));
        let sample = |row: &Vec<f64>| match row[..] {
            [time, stroke, speed, pressure_a, pressure_b, spool, spool_rate] => Sample {
                time,
                stroke,
                speed,
                pressure_a,
                pressure_b,
                spool,
                spool_rate,
                ..Sample::default()
            },
            _ => panic!("seven columns, not {}", row.len()),
        };
        SingleCylinder {
            rig: bench_rig::load(here("../sim/rigs/single-cylinder.toml"))
                .expect("a rig file")
                .rig,
            reference: solution.rows.iter().map(sample).collect(),
        }
    }

    /// The largest errors of a run that was looked at every [`SingleCylinder::INTERVAL`].
    ///
    /// # Panics
    /// If it was looked at at other times.
    pub fn errors(&self, samples: &[Sample]) -> Errors {
        assert_eq!(samples.len(), self.reference.len());
        let strokes = || self.reference.iter().map(|sample| sample.stroke);
        let range = strokes().fold(f64::MIN, f64::max) - strokes().fold(f64::MAX, f64::min);
        let mut worst = Errors {
            position: 0.0,
            pressure: 0.0,
        };
        for (got, want) in samples.iter().zip(&self.reference) {
            assert!((got.time - want.time).abs() < 1e-9);
            let (a, b) = (got.pressure_a - want.pressure_a, got.pressure_b - want.pressure_b);
            worst.position = worst.position.max((got.stroke - want.stroke).abs() / range);
            worst.pressure = worst.pressure.max(a.abs().max(b.abs()) / 100e5);
        }
        worst
    }
}
