//! Fitting sensors: the regression against certified data, what is proposed against sensors that were made up, points read wrongly that must be
//! named, and angles through the linkage.

use std::fs;
use std::path::Path;

use bellcrank_machine::geometry::Geometry;
use bellcrank_machine::{Description, builtin};
use bellcrank_sim::gauge::{Asked, Fit, GaugeError, Gauged, Measured, Pair, Suspicion, gauge};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde::Deserialize;

use crate::command::{json, run};

/// A data set with certified results; see `data/nist-linear.toml` for the source.
#[derive(Debug, Deserialize)]
struct Certified {
    degree: usize,
    x: Vec<f64>,
    y: Vec<f64>,
    estimate: Vec<f64>,
    deviation: Vec<f64>,
    residual_deviation: f64,
}

#[test]
fn the_regression_meets_certified_values() {
    let text = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("data/nist-linear.toml")).expect("there");
    let sets: std::collections::BTreeMap<String, Certified> = toml::from_str(&text).expect("TOML");
    assert_eq!(sets.len(), 2);
    for (name, set) in sets {
        let points: Vec<(f64, f64)> = set.x.iter().copied().zip(set.y.iter().copied()).collect();
        assert_eq!(
            (set.x.len(), set.x.len()),
            (set.y.len(), if name == "norris" { 36 } else { 40 })
        );
        let fit = Fit::new(&points, set.degree).expect("a fit");
        // Digits that agree; the certified values have fifteen.
        let close = |what: &str, found: f64, certified: f64| {
            assert!(
                (found / certified - 1.0).abs() < 1e-11,
                "{name}, {what}: {found:e}, certified {certified:e}"
            );
        };
        let deviation = fit.deviation().expect("freedom");
        close("residuals", deviation, set.residual_deviation);
        for power in 0..=set.degree {
            close("estimate", fit.coefficients[power], set.estimate[power]);
            close(
                "deviation",
                fit.coefficient_deviation(power, deviation),
                set.deviation[power],
            );
        }
    }
}

fn digger() -> Description {
    bellcrank_machine::read("yard-digger", builtin("yard-digger").expect("built in")).expect("a machine")
}

/// A sensor made up: stroke, mm, = zero + slope times the signal; read at these strokes with so much error, mm.
struct Made {
    zero: f64,
    slope: f64,
    tape: f64,
}

impl Made {
    fn signal(&self, stroke: f64) -> f64 {
        (stroke - self.zero) / self.slope
    }

    /// Lengths of the boom's cylinder, closed at 558 mm.
    fn lengths(&self, strokes: &[f64], random: &mut ChaCha8Rng) -> Vec<Pair> {
        let read = |stroke: &f64| {
            let off: f64 = StandardNormal.sample(random);
            Pair {
                reading: 558.0 + stroke + self.tape * off,
                signal: self.signal(*stroke),
            }
        };
        strokes.iter().map(read).collect()
    }
}

fn fitted(machine: &Description, lengths: Vec<Pair>, angles: Vec<Pair>) -> Result<Gauged, GaugeError> {
    let axis = &machine.axes[1];
    gauge(&Asked {
        axis,
        sensor: &axis.sensor,
        measured: Measured { lengths, angles },
        reading: 1.0,
        inclinometer_deg: 0.3,
    })
}

/// In 95 of 100 the line at the end of the stroke is within its interval.
#[test]
fn the_interval_holds_what_it_promises() {
    let machine = digger();
    let mut random = ChaCha8Rng::seed_from_u64(5);
    let (mut held, mut refused) = (0, 0);
    let many = 2000;
    for _ in 0..many {
        let made = Made {
            zero: -20.0,
            slope: 45.0,
            tape: 1.0,
        };
        let points = made.lengths(&[10.0, 100.0, 200.0, 300.0, 400.0], &mut random);
        let gauged = fitted(&machine, points, Vec::new()).expect("a line");
        let end = gauged.ends[1];
        let off = 1e3 * (gauged.line.at(made.signal(408.0)) - 0.408);
        held += i32::from(off.abs() <= 1e3 * end.uncertain);
        refused += i32::from(!gauged.objections.is_empty());
    }
    // Four standard deviations of a count of 1900 in 2000.
    assert!((held - 1900).abs() < 40, "{held} of {many}");
    // Honest readings are doubted in one case of a hundred or so.
    assert!(refused < 40, "{refused} of {many} refused");
}

#[test]
fn a_point_read_wrongly_is_named() {
    let machine = digger();
    let mut random = ChaCha8Rng::seed_from_u64(6);
    let mut named = 0;
    for _ in 0..200 {
        let made = Made {
            zero: 440.0,
            slope: -48.0,
            tape: 0.7,
        };
        let mut points = made.lengths(&[5.0, 120.0, 210.0, 290.0, 400.0], &mut random);
        let wrong = random.random_range(0..5);
        points[wrong].reading += if random.random() { 20.0 } else { -20.0 };
        let gauged = fitted(&machine, points, Vec::new()).expect("a line");
        assert!(!gauged.objections.is_empty());
        let suspects: Vec<usize> = (0..5).filter(|number| gauged.suspect[*number].is_some()).collect();
        named += i32::from(suspects == [wrong]);
        if let Some(Suspicion::Mismeasured(off)) = gauged.suspect[wrong] {
            assert!((1e3 * off.abs() - 20.0).abs() < 8.0, "{off}");
        }
    }
    assert!(named >= 195, "{named} of 200");
}

#[test]
fn what_settles_no_line_is_refused() {
    let machine = digger();
    let pair = |reading, signal| Pair { reading, signal };
    let said = |points: Vec<Pair>| {
        fitted(&machine, points, Vec::new())
            .map(|_| ())
            .unwrap_err()
            .to_string()
    };
    assert_eq!(
        said(vec![pair(600.0, 1.0)]),
        "axis \"boom\": found 1 points, wanted two or more"
    );
    assert!(
        said(vec![pair(600.0, 1.0), pair(650.0, 2.0)])
            .contains("found points that span 50.0 mm, wanted at least 25 % of the stroke of 408.0 mm")
    );
    assert!(said(vec![pair(600.0, 1.0), pair(800.0, 1.0)]).contains("one and the same signal"));
    assert!(
        said(vec![pair(600.0, 0.1), pair(800.0, 5.0)])
            .contains("found a signal of 0.1 volts, wanted between 0.2 and 9.8")
    );
    // Three that disagree: one is wrong, and which cannot be told. One that cannot be is named by itself.
    let gauged = fitted(
        &machine,
        vec![pair(560.0, 1.0), pair(760.0, 5.0), pair(940.0, 9.0)],
        Vec::new(),
    )
    .expect("a line");
    assert!(
        gauged.objections[0].contains("measure a fourth"),
        "{:?}",
        gauged.objections
    );
    let gauged = fitted(
        &machine,
        vec![pair(560.0, 0.6), pair(760.0, 4.6), pair(1160.0, 9.0)],
        Vec::new(),
    )
    .expect("a line");
    assert_eq!(gauged.suspect, [None, None, Some(Suspicion::Impossible)]);
    // A line that runs into the fault band before the stroke ends.
    let gauged = fitted(&machine, vec![pair(560.0, 0.5), pair(760.0, 6.5)], Vec::new()).expect("a line");
    assert!(
        gauged.objections[0].contains("where it counts as a fault"),
        "{:?}",
        gauged.objections
    );
}

#[test]
fn angles_are_held_against_the_inclinometer_through_the_linkage() {
    let machine = digger();
    let geometry = Geometry::of(&machine.axes[1]).expect("it closes");
    let made = Made {
        zero: -22.7,
        slope: 45.3,
        tape: 0.0,
    };
    let lengths = || made.lengths(&[0.0, 200.0, 400.0], &mut ChaCha8Rng::seed_from_u64(7));
    let angles = |off: f64, stretched: f64| -> Vec<Pair> {
        let angle = |stroke: f64| geometry.angle(stretched * stroke / 1e3).expect("in reach").to_degrees() + off;
        [50.0, 150.0, 250.0, 350.0]
            .map(|stroke| Pair {
                reading: angle(stroke),
                signal: made.signal(stroke),
            })
            .to_vec()
    };
    let check = |off: f64, stretched: f64, says: Option<&str>| {
        let gauged = fitted(&machine, lengths(), angles(off, stretched)).expect("a line");
        match says {
            None => assert_eq!(gauged.objections, [] as [String; 0]),
            Some(says) => assert!(gauged.objections[0].contains(says), "{:?}", gauged.objections),
        }
        let angle = gauged.angle.expect("angles");
        if stretched == 1.0 {
            assert!((angle.offset.to_degrees() - off).abs() < 1e-6 && angle.scatter < 1e-8);
        }
    };
    check(0.0, 1.0, None);
    check(0.5, 1.0, None);
    check(2.0, 1.0, Some("angles are 2.00 deg off the inclinometer's, all alike"));
    check(0.0, 0.9, Some("pins or lengths in the machine file are wrong"));
}

#[test]
fn a_calibration_is_written_on_consent_and_read_back() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("m.toml");
    let before = builtin("yard-digger").expect("built in");
    fs::write(&file, before).expect("written");
    // A sensor that was fitted the other way round: its signal falls as the stick's cylinder, closed at 855 mm, extends.
    let points = "volts,length_mm\n9.0,860\n7.0,970\n5.0,1080\n3.0,1190\n1.2,1289\n";
    fs::write(folder.path().join("p.csv"), points).expect("written");
    let command = ["gauge", "m.toml", "--axis", "stick", "--points", "p.csv", "--write"];
    let said = json(folder.path(), &command);
    assert_eq!(said["revision"]["written"], false);
    assert_eq!(fs::read_to_string(&file).expect("there"), before);
    let said = json(folder.path(), &[&command[..], &["--yes"]].concat());
    assert_eq!(said["revision"]["written"], true);
    let machine = bellcrank_machine::load(&file).expect("a machine");
    let calibration = &machine.axes[2].sensor.points;
    for (volts, stroke) in [(9.0, 0.005), (5.0, 0.225), (1.2, 0.434)] {
        let found = machine.axes[2].sensor.signal_at(stroke);
        assert!((found - volts).abs() < 0.01, "{found} V at {stroke} m, not {volts}");
    }
    assert!(calibration[0].1 > calibration[1].1, "it falls");
    assert!(
        fs::read_to_string(&file)
            .expect("there")
            .contains("bellcrank gauge over 5 points; was sensor = { volts = [0.5, 9.5]")
    );

    let wrong = run(
        folder.path(),
        &[
            "gauge",
            "yard digger",
            "--axis",
            "stick",
            "--points",
            "p.csv",
            "--write",
        ],
        2,
    );
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("wanted a machine file"));
    let wrong = run(
        folder.path(),
        &["gauge", "m.toml", "--axis", "thumb", "--points", "p.csv"],
        2,
    );
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("wanted one of slew, boom, stick, bucket"));
    let failed = run(
        folder.path(),
        &[
            "gauge", "m.toml", "--axis", "stick", "--points", "p.csv", "--at", "900=4.6",
        ],
        1,
    );
    assert!(String::from_utf8_lossy(&failed.stdout).contains("measure it again"));
}
