//! The test bench: its equations against a plain solver of them, its files, and recordings laid over its runs.

use std::f64::consts::{PI, TAU};
use std::fs;
use std::path::Path;

use bellcrank_sim::bench_rig::{self, Recording};
use bellcrank_sim::plant::rig::Sample;

use crate::command;

const BAR: f64 = 1e5;
const SINGLE: &str = include_str!("../sim/rigs/single-cylinder.toml");
const HELD: &str = include_str!("../sim/rigs/held-load.toml");

// ---- Against a plain solver -------------------------------------------------------------------------------------------------------

/// A bench in the units of its file.
#[derive(Clone)]
struct Plain {
    end: f64,
    interval_ms: f64,
    mass: f64,
    bore: f64,
    rod: f64,
    stroke: f64,
    dead_l: [f64; 2],
    leak: f64,
    viscous: f64,
    coulomb: f64,
    coulomb_at: f64,
    rated_lpm: f64,
    rated_drop: f64,
    blend: f64,
    overlap: f64,
    hz: f64,
    zeta: f64,
    check_lpm: f64,
    check_drop: f64,
    supply: f64,
    tank: f64,
    modulus_mpa: f64,
    start: [f64; 3],
    command: Vec<(f64, f64)>,
    load: Vec<(f64, f64)>,
}

impl Plain {
    /// The benchmark's constants (`data/README.md`) with a short programme.
    fn benchmark() -> Plain {
        Plain {
            end: 0.5,
            interval_ms: 10.0,
            mass: 800.0,
            bore: 63.0,
            rod: 36.0,
            stroke: 500.0,
            dead_l: [0.2, 0.2],
            leak: 0.01,
            viscous: 1500.0,
            coulomb: 600.0,
            coulomb_at: 5.0,
            rated_lpm: 30.0,
            rated_drop: 5.0,
            blend: 2.0,
            overlap: 0.08,
            hz: 15.0,
            zeta: 0.9,
            check_lpm: 240.0,
            check_drop: 5.0,
            supply: 180.0,
            tank: 2.0,
            modulus_mpa: 1200.0,
            start: [30.0, 60.0, 89.0],
            command: vec![(0.05, 0.6), (0.3, 0.0)],
            load: vec![(0.4, 5000.0)],
        }
    }

    fn file(&self, accuracy: &str) -> String {
        let Plain {
            end,
            interval_ms,
            mass,
            bore,
            rod,
            stroke,
            dead_l,
            leak,
            viscous,
            coulomb,
            coulomb_at,
            ..
        } = self;
        let mut text = format!(
            "name = \"plain\"\nend_s = {end}\ninterval_ms = {interval_ms}\n{accuracy}\n[mass]\nmass_kg = {mass}\n[cylinder]\n\
             bore_mm = {bore}\nrod_mm = {rod}\nstroke_mm = {stroke}\ndead_l = {dead_l:?}\nleak_cm3_s_bar = {leak}\n\
             viscous_ns_m = {viscous}\ncoulomb_n = {coulomb}\ncoulomb_at_mm_s = {coulomb_at}\ncushion_mm = 0\n"
        );
        let Plain {
            rated_lpm,
            rated_drop,
            blend,
            overlap,
            hz,
            zeta,
            check_lpm,
            check_drop,
            supply,
            tank,
            modulus_mpa,
            start: [x, a, b],
            ..
        } = self;
        text += &format!(
            "[valve]\nrated_lpm = {rated_lpm}\nrated_drop_bar = {rated_drop}\nblend_bar = {blend}\noverlap_out = {overlap}\n\
             overlap_in = {overlap}\nspool_hz = {hz}\nspool_zeta = {zeta}\ncheck_lpm = {check_lpm}\ncheck_drop_bar = {check_drop}\n\
             load_check = false\n[supply]\npressure_bar = {supply}\ntank_bar = {tank}\n[oil]\ndensity_kg_m3 = 870\n\
             bulk_modulus_mpa = {modulus_mpa}\n[start]\nstroke_mm = {x}\npressure_bar = [{a}, {b}]\n"
        );
        let mut steps: Vec<(f64, String)> = Vec::new();
        for (programme, key) in [(&self.command, "command"), (&self.load, "load_n")] {
            for (at, value) in programme {
                let line = format!("{key} = {value}\n");
                match steps.iter_mut().find(|(other, _)| other == at) {
                    Some((_, lines)) => *lines += &line,
                    None => steps.push((*at, line)),
                }
            }
        }
        steps.sort_by(|(one, _), (other, _)| one.total_cmp(other));
        for (at, lines) in steps {
            text += &format!("[[step]]\nat_s = {at}\n{lines}");
        }
        text
    }

    /// Rates of x, v, pA, pB, z, w. Orifices, continuity and balance of forces as in any textbook; the start of the root is a cubic
    /// with the root's value and slope at the blend pressure.
    fn rates(&self, s: &[f64; 6], command: f64, load: f64) -> [f64; 6] {
        let [x, v, pa, pb, z, w] = *s;
        let area_a = PI / 4.0 * (self.bore * 1e-3).powi(2);
        let area_b = area_a - PI / 4.0 * (self.rod * 1e-3).powi(2);
        let volume_a = self.dead_l[0] * 1e-3 + area_a * x;
        let volume_b = self.dead_l[1] * 1e-3 + area_b * (self.stroke * 1e-3 - x);
        let blend = self.blend * BAR;
        let root = |d: f64| {
            let s = d / blend;
            if s.abs() >= 1.0 {
                d.signum() * d.abs().sqrt()
            } else {
                blend.sqrt() * s * (5.0 - s * s) / 4.0
            }
        };
        let (supply, tank) = (self.supply * BAR, self.tank * BAR);
        let land = self.rated_lpm / 6e4 / (self.rated_drop * BAR).sqrt();
        let check = self.check_lpm / 6e4 / (self.check_drop * BAR).sqrt();
        let out = (z - self.overlap).max(0.0) / (1.0 - self.overlap);
        let back = (-z - self.overlap).max(0.0) / (1.0 - self.overlap);
        let into_a = land * (out * root(supply - pa) - back * root(pa - tank)) + check * root((tank - pa).max(0.0));
        let into_b = land * (back * root(supply - pb) - out * root(pb - tank)) + check * root((tank - pb).max(0.0));
        let leak = self.leak * 1e-6 / BAR * (pa - pb);
        let friction = self.viscous * v + self.coulomb * (v / (self.coulomb_at * 1e-3)).tanh();
        let (modulus, frequency) = (self.modulus_mpa * 1e6, TAU * self.hz);
        [
            v,
            (pa * area_a - pb * area_b - friction - load) / self.mass,
            modulus / volume_a * (into_a - leak - area_a * v),
            modulus / volume_b * (into_b + leak + area_b * v),
            w,
            frequency * frequency * (command - z) - 2.0 * self.zeta * frequency * w,
        ]
    }

    /// The classic Runge-Kutta method with steps of at most `step` between one time of interest and the next.
    fn solve(&self, step: f64, times: &[f64]) -> Vec<[f64; 6]> {
        let holds = |programme: &[(f64, f64)], t: f64| {
            let last = programme.iter().rev().find(|(at, _)| *at <= t);
            last.map_or(0.0, |(_, value)| *value)
        };
        let jumps = self.command.iter().chain(&self.load).map(|(at, _)| *at);
        let mut stops: Vec<f64> = jumps.chain(times.iter().copied()).collect();
        stops.sort_by(f64::total_cmp);
        let [x, pa, pb] = [self.start[0] * 1e-3, self.start[1] * BAR, self.start[2] * BAR];
        let (mut now, mut s, mut rows) = (0.0, [x, 0.0, pa, pb, 0.0, 0.0], Vec::new());
        for stop in stops {
            let (command, load) = (holds(&self.command, now), holds(&self.load, now));
            let fits = |count: &u32| (stop - now) / f64::from(*count) < 1.000_001 * step;
            let count = (1..1_000_000).find(fits).expect("some number of steps");
            let h = (stop - now) / f64::from(count);
            for _ in 0..count {
                let shifted = |k: &[f64; 6], by: f64| std::array::from_fn(|i| s[i] + by * k[i]);
                let k1 = self.rates(&s, command, load);
                let k2 = self.rates(&shifted(&k1, 0.5 * h), command, load);
                let k3 = self.rates(&shifted(&k2, 0.5 * h), command, load);
                let k4 = self.rates(&shifted(&k3, h), command, load);
                for i in 0..6 {
                    s[i] += h / 6.0 * (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i]);
                }
            }
            now = stop;
            if times.contains(&stop) && rows.len() < times.len() && times[rows.len()] == stop {
                rows.push(s);
            }
        }
        rows
    }
}

fn samples(file: &str) -> Vec<Sample> {
    let bench = bench_rig::read("plain.toml", file).expect("a good file");
    bench.run().expect("a run").samples
}

/// Largest differences: position over its range, pressure over 100 bar.
fn errors(ours: &[Sample], plain: &[[f64; 6]]) -> (f64, f64) {
    let column = |k: usize| plain.iter().map(move |row| row[k]);
    let range = column(0).fold(f64::MIN, f64::max) - column(0).fold(f64::MAX, f64::min);
    let (mut position, mut pressure) = (0.0f64, 0.0f64);
    for (ours, plain) in ours.iter().zip(plain) {
        position = position.max((ours.stroke - plain[0]).abs() / range);
        let off = (ours.pressure_a - plain[2])
            .abs()
            .max((ours.pressure_b - plain[3]).abs());
        pressure = pressure.max(off / (100.0 * BAR));
    }
    (position, pressure)
}

/// Source: the same equations, typed a second time, under the classic Runge-Kutta method.
#[track_caller]
fn check_plain(plain: &Plain, rows: usize, step: f64) {
    let tight = samples(&plain.file("accuracy = 1e-8"));
    assert_eq!(tight.len(), rows);
    assert_eq!((tight[0].time, tight[rows - 1].time), (0.0, plain.end));
    let times: Vec<f64> = tight.iter().map(|sample| sample.time).collect();
    let reference = plain.solve(step, &times);
    assert_eq!(reference.len(), rows);
    let (position, pressure) = errors(&tight, &reference);
    assert!(
        position < 1e-7 && pressure < 1e-4,
        "tight: position {position:e}, pressure {pressure:e}"
    );
    let (position, _) = errors(&samples(&plain.file("")), &reference);
    assert!(position < 1e-3, "default: position {position:e}");
}

#[test]
fn the_benchmark_in_short() {
    check_plain(&Plain::benchmark(), 51, 1e-5);
}

#[test]
fn a_big_cylinder_with_a_command_and_a_load_from_the_start() {
    let plain = Plain {
        end: 0.4037,
        interval_ms: 7.0,
        mass: 6000.0,
        bore: 125.0,
        rod: 90.0,
        stroke: 1200.0,
        dead_l: [0.8, 0.3],
        start: [400.0, 70.0, 20.0],
        rated_lpm: 120.0,
        command: vec![(0.0, 0.4), (0.15, -0.7), (0.3, 0.0)],
        load: vec![(0.0, 50_000.0), (0.2, 20_000.0), (0.25, -10_000.0)],
        ..Plain::benchmark()
    };
    check_plain(&plain, 59, 1e-5);
}

#[test]
fn a_quick_light_cylinder_whose_spool_overshoots_full_travel() {
    let plain = Plain {
        end: 0.2,
        interval_ms: 0.5,
        mass: 60.0,
        bore: 40.0,
        rod: 25.0,
        stroke: 300.0,
        dead_l: [0.05, 0.1],
        start: [100.0, 30.0, 49.0],
        viscous: 900.0,
        coulomb: 0.0,
        overlap: 0.0,
        hz: 40.0,
        zeta: 0.6,
        rated_lpm: 12.0,
        leak: 0.0,
        tank: 1.0,
        command: vec![(0.01, 1.0), (0.06, -1.0), (0.15, 0.2)],
        load: Vec::new(),
        ..Plain::benchmark()
    };
    check_plain(&plain, 401, 5e-6);
}

#[test]
fn a_soft_slow_cylinder_looked_at_seldom() {
    let plain = Plain {
        end: 0.6,
        interval_ms: 250.0,
        modulus_mpa: 700.0,
        supply: 240.0,
        tank: 6.0,
        blend: 1.0,
        rated_drop: 35.0,
        coulomb: 2500.0,
        coulomb_at: 12.0,
        check_lpm: 80.0,
        overlap: 0.15,
        hz: 6.0,
        zeta: 1.4,
        leak: 0.2,
        command: vec![(0.02, -0.8), (0.35, 0.9)],
        load: vec![(0.1, -8000.0), (0.35, 0.0)],
        start: [350.0, 100.0, 120.0],
        ..Plain::benchmark()
    };
    check_plain(&plain, 4, 1e-5);
}

/// Straight up is a load of the mass's weight, m g with g = 9.80665 m/s² (ISO 80000-3, *from memory*).
#[test]
fn a_slope_is_a_load() {
    let plain = Plain {
        load: vec![(0.0, 800.0 * 9.80665 * 0.5)],
        ..Plain::benchmark()
    };
    let level = Plain {
        load: Vec::new(),
        ..plain.clone()
    };
    let uphill = level.file("").replace("mass_kg = 800", "mass_kg = 800\nslope_deg = 30");
    for (loaded, uphill) in samples(&plain.file("")).iter().zip(&samples(&uphill)) {
        assert!((loaded.stroke - uphill.stroke).abs() < 1e-9, "{loaded:?} {uphill:?}");
    }
}

// ---- Pump, load-holding valve, events ---------------------------------------------------------------------------------------------

fn at(samples: &[Sample], time: f64) -> &Sample {
    samples.iter().find(|s| s.time > time - 1e-9).expect("a sample")
}

#[test]
fn the_held_load_does_what_its_file_says() {
    let samples = samples(HELD);
    let ports = |time| at(&samples, time).ports.expect("lines");
    let [pressure, flow] = at(&samples, 1.6).pump.expect("a pump");
    // Lifting: the pump keeps its margin above the load, give or take half its control band.
    assert!((15.0..25.0).contains(&((pressure - ports(1.6)[0]) / BAR)), "{pressure}");
    assert!(flow > 20.0 / 6e4 && at(&samples, 1.6).engine.expect("an engine") < at(&samples, 0.1).engine.expect("one"));
    // The load: weight and hung-on force are on the bore side, rod side and friction aside.
    let rest = at(&samples, 6.15);
    let [area, rod_side] = [0.0, 0.040f64].map(|rod| PI / 4.0 * (0.070f64.powi(2) - rod.powi(2)));
    let held = rest.pressure_a * area - rest.pressure_b * rod_side;
    let weight = 2500.0 * 9.80665 + 3000.0;
    assert!((held - weight).abs() < 800.0, "held {held}, weight {weight}");
    // The burst empties the line, and the load-holding valve keeps the load: once the pilot is gone it stands.
    assert!(ports(6.8)[0] > 10.0 * BAR && ports(7.3)[0] < 5.0 * BAR);
    let stood = at(&samples, 8.0).stroke;
    assert!((at(&samples, 9.0).stroke - stood).abs() < 1e-3 && at(&samples, 9.0).pressure_a > 50.0 * BAR);
    // The dump valve empties the pump's line; the engine runs down.
    assert!(at(&samples, 7.9).pump.expect("a pump")[0] < 10.0 * BAR);
    assert!(at(&samples, 9.0).engine < at(&samples, 8.0).engine);
}

/// Without its load-holding valve the same load comes down with the burst hose.
#[test]
fn without_a_load_holding_valve_a_burst_drops_the_load() {
    let table = HELD.find("[holding]").expect("there")..HELD.find("[pump]").expect("there");
    let bare = HELD.replace(&HELD[table], "").replace("port_bar = [2, 5] ", "#");
    let fallen = |text: &str| {
        let samples = samples(text);
        at(&samples, 6.9).stroke - at(&samples, 8.5).stroke
    };
    assert!(fallen(&bare) > 2.0 * fallen(HELD), "{} {}", fallen(&bare), fallen(HELD));
}

#[test]
fn a_delayed_command_comes_late_by_its_delay() {
    let plain = Plain::benchmark();
    let delayed = plain.file("").replace("spool_hz", "delay_ms = 20\nspool_hz");
    let (now, late) = (samples(&plain.file("")), samples(&delayed));
    for (now, late) in now.iter().zip(&late[2..]).take(30) {
        assert!((now.spool - late.spool).abs() < 1e-3, "{now:?} {late:?}");
    }
}

// ---- Recordings -------------------------------------------------------------------------------------------------------------------

/// Runs the single cylinder as the command does, with a change to its file, beside a recording.
#[track_caller]
fn compared(accuracy: &str, recording: &Path) -> (serde_json::Value, String) {
    let folder = tempfile::tempdir().expect("a folder");
    let file = SINGLE.replace("accuracy = 1e-3 ", &format!("accuracy = {accuracy} "));
    fs::write(folder.path().join("rig.toml"), file).expect("written");
    let recording = recording.to_str().expect("UTF-8");
    let report = command::json(folder.path(), &["rig", "rig.toml", "--recording", recording]);
    let picture = fs::read_to_string(folder.path().join("out/rig.svg")).expect("the picture");
    (report, picture)
}

/// Source: SUNDIALS CVODE 7.9.0 (`data/README.md`).
#[test]
fn the_reference_as_a_recording() {
    let reference = Path::new(env!("CARGO_MANIFEST_DIR")).join("data/cylinder-benchmark.csv");
    for (accuracy, position, pressure) in [("1e-3", 1e-3, 1e-1), ("1e-7", 1e-7, 1e-4)] {
        let (report, picture) = compared(accuracy, &reference);
        let compared = &report["recording"];
        assert_eq!(compared["rows_compared"], 301);
        assert!(
            compared["position_error"].as_f64().expect("a number") < position,
            "{compared}"
        );
        assert!(
            compared["pressure_error"].as_f64().expect("a number") < pressure,
            "{compared}"
        );
        assert_eq!(compared["columns"].as_array().map(Vec::len), Some(6));
        assert!(picture.contains("recorded"));
    }
}

/// A recording that is ours but for a known error, at times of its own, reaching past the end.
#[test]
fn a_recording_is_measured_where_and_as_it_is() {
    let bench = bench_rig::read("rig.toml", SINGLE).expect("a good file");
    let times: Vec<f64> = (0..32).map(|k| 0.013 + 0.1 * f64::from(k)).collect();
    let within: Vec<f64> = times.iter().copied().filter(|t| *t <= 3.0).collect();
    let (ours, _) = bench.rig.run_looking_at(bench.accuracy, &within).expect("a run");
    let mut text = "pB_Pa, t_s, x_m\n".to_owned();
    for (k, time) in times.iter().enumerate() {
        let sample = ours.get(k).copied().unwrap_or_default();
        let off = if k == 7 { 0.02 } else { 0.001 };
        text += &format!("{},{time},{}\n", sample.pressure_b + 5e5, sample.stroke - off);
    }
    let recording = Recording::read("run.csv", &text, &bench).expect("a good recording");
    let record = bench.run().expect("a run");
    let comparison = bench.compare(recording).expect("a run");
    let report = bench_rig::report(&bench, &record, Some(&comparison), String::new(), String::new());
    let compared = report.recording.expect("one");
    assert_eq!((compared.rows, compared.rows_compared), (32, 30));
    let [pressure, stroke] = &compared.columns[..] else {
        panic!("{compared:?}")
    };
    assert!((pressure.largest - 5e5).abs() < 1.0 && (pressure.rms - 5e5).abs() < 1.0);
    assert!((stroke.largest - 0.02).abs() < 1e-12 && (stroke.at_s - times[7]).abs() < 1e-12);
    let rms = ((29.0 * 0.001f64.powi(2) + 0.02f64.powi(2)) / 30.0).sqrt();
    assert!((stroke.rms - rms).abs() < 1e-9, "{stroke:?}");
    assert!((compared.pressure_error.expect("pressures") - 0.05).abs() < 1e-6);
    assert!((0.04..0.06).contains(&compared.position_error.expect("a stroke")));
}
