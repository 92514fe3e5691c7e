//! The arithmetic of trimming against values from elsewhere: certified least squares, a control library, a scientific library, closed forms.
//!
//! The tables in `data/` say where they come from; `data/trim_oracle.py` made those of its name.

use std::collections::BTreeMap;
use std::f64::consts::{PI, TAU};
use std::fs;
use std::path::{Path, PathBuf};

use bellcrank_sim::trim::answer::{fill, run_on, swing};
use bellcrank_sim::trim::fit::{Nonlinear, linear, nonlinear, rising, start_of_motion};
use bellcrank_sim::trim::holds::Series;
use bellcrank_sim::trim::log::{AxisLog, Reading, Sensed};
use bellcrank_sim::trim::margins::Loop;
use bellcrank_sim::trim::step;
use bellcrank_tests::cases::Rows;
use nalgebra::DMatrix;
use serde::Deserialize;

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("data").join(name)
}

fn parsed<T: for<'a> Deserialize<'a>>(name: &str) -> T {
    toml::from_str(&fs::read_to_string(data(name)).expect("there")).expect("TOML")
}

/// Correct digits of a number, by NIST's measure: the negative logarithm of its relative error.
fn digits(found: f64, certified: f64) -> f64 {
    -(found / certified - 1.0).abs().max(1e-16).log10()
}

#[track_caller]
fn agree(what: &str, found: f64, certified: f64, wanted: f64) {
    let right = digits(found, certified);
    assert!(
        right >= wanted,
        "{what}: {found:e}, certified {certified:e}: {right:.1} digits, wanted {wanted}"
    );
}

// ---- least squares ----------------------------------------------------------------------------------------------------------------

/// See `data/nist-linear.toml`.
#[derive(Deserialize)]
struct Polynomial {
    degree: usize,
    x: Vec<f64>,
    y: Vec<f64>,
    estimate: Vec<f64>,
    deviation: Vec<f64>,
    residual_deviation: f64,
}

/// See `data/nist-fits.toml`.
#[derive(Deserialize)]
struct Fits {
    line: BTreeMap<String, Plane>,
    curve: BTreeMap<String, Curve>,
}

#[derive(Deserialize)]
struct Plane {
    degree: Option<usize>,
    rows: Vec<Vec<f64>>,
    estimate: Vec<f64>,
    deviation: Vec<f64>,
}

#[derive(Deserialize)]
struct Curve {
    starts: [Vec<f64>; 2],
    rows: Vec<(f64, f64)>,
    estimate: Vec<f64>,
    deviation: Vec<f64>,
    residual_deviation: f64,
}

fn powers(x: &[f64], degree: usize) -> DMatrix<f64> {
    DMatrix::from_fn(x.len(), degree + 1, |row, column| {
        x[row].powi(i32::try_from(column).expect("a low degree"))
    })
}

#[test]
fn lines_and_parabolas_have_the_certified_coefficients() {
    let sets: BTreeMap<String, Polynomial> = parsed("nist-linear.toml");
    assert_eq!(sets.len(), 2);
    for (name, set) in sets {
        let fit = linear(&powers(&set.x, set.degree), &set.y, None).expect("a fit");
        agree(&name, fit.scatter, set.residual_deviation, 11.0);
        for power in 0..=set.degree {
            agree(&name, fit.values[power], set.estimate[power], 11.0);
            agree(&name, fit.error(power), set.deviation[power], 11.0);
        }
    }
}

impl Plane {
    fn fit(&self) -> Option<bellcrank_sim::trim::fit::Linear> {
        let y: Vec<f64> = self.rows.iter().map(|row| row[0]).collect();
        let columns = match self.degree {
            Some(degree) => powers(&self.rows.iter().map(|row| row[1]).collect::<Vec<_>>(), degree),
            None => DMatrix::from_fn(self.rows.len(), self.estimate.len(), |row, column| {
                if column == 0 { 1.0 } else { self.rows[row][column] }
            }),
        };
        linear(&columns, &y, None)
    }
}

/// Longley's predictors nearly follow from each other; Wampler's powers reach from 1 to millions; Filip's are ten powers of numbers from -9 to -3,
/// which a double hardly tells apart.
#[test]
fn columns_that_nearly_agree_cost_no_more_digits_than_they_must() {
    let sets = parsed::<Fits>("nist-fits.toml").line;
    for (name, rows, wanted) in [("longley", 16, 10.0), ("wampler4", 21, 8.0), ("filip", 82, 7.0)] {
        let (set, fit) = (&sets[name], sets[name].fit().expect("a fit"));
        assert_eq!(set.rows.len(), rows);
        for column in 0..set.estimate.len() {
            agree(name, fit.values[column], set.estimate[column], wanted);
            agree(name, fit.error(column), set.deviation[column], wanted);
        }
    }
}

#[test]
fn columns_that_cannot_be_told_apart_are_refused() {
    let twice = DMatrix::from_fn(5, 2, |row, column| row as f64 * (1.0 + column as f64));
    assert!(linear(&twice, &[0.0, 1.0, 2.0, 3.0, 5.0], None).is_none());
    let two_rows = DMatrix::from_fn(2, 2, |row, column| row as f64 + column as f64);
    assert!(
        linear(&two_rows, &[0.0, 1.0], None).is_none(),
        "as many unknowns as rows"
    );
}

/// What the curves are; their equations stand above each in the data.
fn model(name: &str, x: f64, b: &[f64]) -> f64 {
    match name {
        "misra1a" | "boxbod" => b[0] * (1.0 - (-b[1] * x).exp()),
        "thurber" | "hahn1" => (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) / (1.0 + x * (b[4] + x * (b[5] + x * b[6]))),
        "mgh09" => b[0] * (x * x + x * b[1]) / (x * x + x * b[2] + b[3]),
        "mgh10" => b[0] * (b[1] / (x + b[2])).exp(),
        "eckerle4" => b[0] / b[1] * (-0.5 * ((x - b[2]) / b[1]).powi(2)).exp(),
        _ => panic!("no such curve: {name}"),
    }
}

impl Curve {
    fn fit(&self, name: &str, start: usize) -> Option<Nonlinear> {
        let misfit = |b: &[f64], out: &mut [f64]| {
            for (out, (y, x)) in out.iter_mut().zip(&self.rows) {
                *out = y - model(name, *x, b);
            }
        };
        let free = vec![(f64::NEG_INFINITY, f64::INFINITY); self.estimate.len()];
        nonlinear(misfit, self.rows.len(), &self.starts[start], &free)
    }
}

/// From both starts: NIST's first is the far one, from which many programs do not arrive (`BoxBOD`, MGH09, MGH10).
#[test]
fn curves_have_the_certified_parameters_from_far_and_near() {
    let sets = parsed::<Fits>("nist-fits.toml").curve;
    assert_eq!(sets.len(), 7);
    for (name, set) in &sets {
        for start in 0..2 {
            let what = format!("{name} from start {}", start + 1);
            let fit = set.fit(name, start).unwrap_or_else(|| panic!("{what}: no fit"));
            agree(&what, (fit.left / fit.freedom).sqrt(), set.residual_deviation, 9.0);
            for number in 0..set.estimate.len() {
                agree(&what, fit.values[number], set.estimate[number], 6.0);
                agree(&what, fit.error(number), set.deviation[number], 5.0);
            }
        }
    }
}

/// A parameter that the rows say nothing of, and fewer rows than parameters.
#[test]
fn a_curve_that_is_not_settled_by_its_rows_is_refused() {
    let free = [(f64::NEG_INFINITY, f64::INFINITY); 2];
    let idle = |b: &[f64], out: &mut [f64]| {
        for (k, out) in out.iter_mut().enumerate() {
            *out = k as f64 - b[0];
        }
    };
    assert!(nonlinear(idle, 5, &[1.0, 1.0], &free).is_none());
    assert!(nonlinear(idle, 2, &[1.0, 1.0], &free).is_none());
}

// ---- where motion starts, and what only rises -------------------------------------------------------------------------------------

/// Rows of a table apart by its first column.
fn cases(rows: &Rows) -> Vec<Vec<usize>> {
    let case = |row: usize| rows.value(row, "case");
    let all: Vec<usize> = (0..rows.rows.len()).collect();
    all.chunk_by(|a, b| case(*a) == case(*b))
        .map(<[usize]>::to_vec)
        .collect()
}

#[test]
fn motion_starts_where_a_search_over_every_time_finds_it() {
    let rows = Rows::read(&data("trim-start.csv"));
    let cases = cases(&rows);
    assert_eq!(cases.len(), 4);
    for case in cases {
        let points: Vec<(f64, f64)> = case
            .iter()
            .map(|&row| (rows.value(row, "t"), rows.value(row, "x")))
            .collect();
        let start = start_of_motion(&points).expect("a start");
        for (name, found) in [
            ("time", start.time),
            ("from", start.from),
            ("half_acceleration", start.half_acceleration),
        ] {
            let wanted = rows.value(case[0], name);
            assert!((found - wanted).abs() < 2e-6, "{name}: {found}, wanted {wanted}");
        }
        let wanted = rows.value(case[0], "left");
        assert!(
            (start.left - wanted).abs() < 1e-9 + 1e-6 * wanted,
            "{} {wanted}",
            start.left
        );
    }
}

#[test]
fn numbers_rise_as_a_scientific_library_makes_them() {
    let rows = Rows::read(&data("trim-rising.csv"));
    let cases = cases(&rows);
    assert_eq!(cases.len(), 6);
    for case in cases {
        let column = |name: &str| case.iter().map(|&row| rows.value(row, name)).collect::<Vec<_>>();
        let found = rising(&column("value"), &column("weight"));
        let wanted = column("rising");
        assert_eq!(found.len(), wanted.len());
        for (found, wanted) in found.iter().zip(&wanted) {
            assert!((found - wanted).abs() < 1e-10, "{found}, wanted {wanted}");
        }
    }
}

// ---- steps, swings, margins -------------------------------------------------------------------------------------------------------

/// Where a second-order lag is, so long after a step from 0 to 1 (any text on control; from memory).
fn response(hz: f64, zeta: f64, t: f64) -> f64 {
    let (whole, root) = (TAU * hz, (1.0 - zeta * zeta).sqrt());
    let turned = whole * root * t;
    1.0 - (-zeta * whole * t).exp() * (turned.cos() + zeta / root * turned.sin())
}

#[test]
fn overshoot_and_settling_are_those_of_the_closed_form_and_of_a_control_library() {
    let rows = Rows::read(&data("trim-steps.csv"));
    assert_eq!(rows.rows.len(), 6);
    for row in 0..rows.rows.len() {
        let [hz, zeta, overshoot, settling] =
            ["hz", "zeta", "overshoot", "settling_s"].map(|name| rows.value(row, name));
        for (from, to) in [(0.0, 1.0), (0.3, -0.2)] {
            let moments: Vec<(f64, f64)> = (0..=10_000)
                .map(|k| 1e-3 * f64::from(k))
                .map(|t| (t, from + (to - from) * response(hz, zeta, t)))
                .collect();
            let step = step::figures(&moments, from, to);
            // Closed form of the first peak; samples a millisecond apart miss a little of it.
            let peak = (-PI * zeta / (1.0 - zeta * zeta).sqrt()).exp();
            assert!(
                (step.beyond - peak).abs() < 2e-4,
                "{hz} Hz {zeta}: {} {peak}",
                step.beyond
            );
            assert!(
                (step.beyond - overshoot).abs() < 1e-6,
                "{hz} Hz {zeta}: {} {overshoot}",
                step.beyond
            );
            assert!(
                (step.settled - settling).abs() < 1.5e-3,
                "{hz} Hz {zeta}: {} {settling}",
                step.settled
            );
        }
    }
}

/// An axis that is told to go and to stop, again and again, later than it is told by a first-order lag; it starts late by what its lines take, and
/// goes on, or back, by so much after each stop, m out and in.
fn filling(lines: [f64; 2], beyond: [f64; 2]) -> AxisLog {
    let late = 0.03;
    let begun = |t: f64| 1.0 - (-t.max(0.0) / late).exp();
    // How far it has gone at a rate of one, so long after it was told to go.
    let gone = |t: f64| t.max(0.0) - late * begun(t);
    let (mut readings, mut place) = (Vec::new(), 0.3);
    for stop in 0..12_u32 {
        let (way, sign) = if stop % 2 == 0 { (0, 1.0) } else { (1, -1.0) };
        let rate = 0.02 + 0.004 * f64::from(stop / 2);
        let moved = |t: f64| {
            let (there, closed) = (gone(t - 1.0) - gone(t - 2.5), begun(t - 2.5));
            rate * there - lines[way] * begun(t - 1.0) + beyond[way] * closed
        };
        for k in 0..800_u32 {
            let t = 5e-3 * f64::from(k);
            let going = (1.0..2.5).contains(&t);
            readings.push(Reading {
                t: 4.0 * f64::from(stop) + t,
                command: if going { sign * 0.3 } else { 0.0 },
                sensed: Sensed::Stroke(place + sign * moved(t)),
            });
        }
        place += sign * moved(4.0);
    }
    AxisLog { axis: 2, readings }
}

#[test]
fn what_lines_take_and_what_an_axis_goes_on_by_are_told_apart_from_its_lag() {
    let text = bellcrank_machine::builtin("yard-digger").expect("built in");
    let machine = bellcrank_machine::read("yard-digger", text).expect("a machine");
    let (lines, beyond) = ([4e-4, 2e-4], [9e-4, -7e-4]);
    let series = Series::of(&filling(lines, beyond), &machine.axes[2].sensor);
    let holds = series.holds();
    for (found, made) in [(fill(&holds), lines), (run_on(&holds), beyond)] {
        for (found, made) in found.iter().zip(made) {
            let found = found.expect("enough of them");
            assert!((found.value - made).abs() < 3e-5, "{found:?}, made with {made}");
        }
    }
}

/// An axis that is told to go and to stop, again and again, and rings after each stop by the closed form; the sensor's noise is left out.
fn ringing(hz: f64, zeta: f64, share: f64) -> AxisLog {
    let mut readings = Vec::new();
    let (whole, root) = (TAU * hz, (1.0 - zeta * zeta).sqrt());
    let mut place = 0.3;
    for stop in 0..12_u32 {
        let (begin, sign) = (4.0 * f64::from(stop), if stop % 2 == 0 { 1.0 } else { -1.0 });
        let rate = sign * (0.02 + 0.004 * f64::from(stop / 2));
        for k in 0..800_u32 {
            let t = 5e-3 * f64::from(k);
            let going = (1.0..2.5).contains(&t);
            let gone = rate * (t - 1.0).clamp(0.0, 1.5);
            let since = t - 2.5;
            // From rest at its end, with the rate it had: the free swing of a mass on a spring.
            let swing = if since >= 0.0 {
                share * rate / (whole * root) * (-zeta * whole * since).exp() * (whole * root * since).sin()
            } else {
                0.0
            };
            readings.push(Reading {
                t: begin + t,
                command: if going { sign * 0.3 } else { 0.0 },
                sensed: Sensed::Stroke(place + gone + swing),
            });
        }
        place += rate * 1.5;
    }
    AxisLog { axis: 2, readings }
}

#[test]
fn a_ring_has_the_frequency_and_damping_that_it_was_made_with() {
    let text = bellcrank_machine::builtin("yard-digger").expect("built in");
    let machine = bellcrank_machine::read("yard-digger", text).expect("a machine");
    for (hz, zeta) in [(1.5, 0.05), (3.0, 0.1), (3.0, 0.3), (7.0, 0.08), (3.0, 0.8)] {
        let series = Series::of(&ringing(hz, zeta, 1.0), &machine.axes[2].sensor);
        let found = swing(&series, &series.holds()).unwrap_or_else(|| panic!("{hz} Hz {zeta}: no swing"));
        assert!((found.hz.value / hz - 1.0).abs() < 1e-3, "{hz} Hz: {:?}", found.hz);
        assert!((found.zeta.value / zeta - 1.0).abs() < 1e-2, "{zeta}: {:?}", found.zeta);
    }
    let still = Series::of(&ringing(3.0, 0.1, 0.0), &machine.axes[2].sensor);
    assert_eq!(swing(&still, &still.holds()), None, "it stops dead");
}

#[test]
fn margins_are_those_of_a_control_library() {
    let rows = Rows::read(&data("trim-margins.csv"));
    assert_eq!(rows.rows.len(), 11);
    for row in 0..rows.rows.len() {
        let [gain, late, smooth, integral, hz, zeta] =
            ["gain", "late", "smooth", "integral", "hz", "zeta"].map(|name| rows.value(row, name));
        let there = Loop {
            late,
            smooth,
            integral,
            hz,
            zeta,
        };
        let found = there.margins(gain);
        let [gain_margin, phase] = ["gain_margin", "phase_margin_deg"].map(|name| rows.value(row, name));
        assert!(
            (found.gain / gain_margin - 1.0).abs() < 1e-2,
            "row {row}: {}, wanted {gain_margin}",
            found.gain
        );
        assert!(
            (found.phase_deg - phase).abs() < 0.5,
            "row {row}: {}, wanted {phase}",
            found.phase_deg
        );
    }
}
