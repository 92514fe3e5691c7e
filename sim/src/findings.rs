//! What a rehearsal showed: measured figures, and whether they are what the scenario expects.

use bellcrank_core::inputs::Mode;
use bellcrank_core::supervise::{State, What};
use nalgebra::Vector3;
use schemars::JsonSchema;
use serde::Serialize;

use crate::scenario::{Line, Scenario, Target};
use crate::trace::{Noticed, Trace, event_name, obstacle_name};
use crate::tracking::{Tracking, tracking};

/// A tip slower than this is at rest, m/s: what is left is the load swaying on trapped oil.
pub const AT_REST_M_S: f64 = 0.02;

/// The findings of one rehearsal. All figures are measured in it; what does not apply is null.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Findings {
    /// Name of the scenario.
    pub scenario: String,
    /// What happens in it.
    pub about: String,
    /// Name of the machine.
    pub machine: String,
    /// Seed of the noise.
    pub seed: u64,
    /// The command that repeats the run.
    pub repeat: String,
    /// Digest of the run, hexadecimal: the same scenario and seed give the same.
    pub digest: String,
    /// The first cause latched although nothing was wrong yet: a false alarm.
    pub false_alarm: Option<String>,
    /// When the first fault came, s.
    pub fault_at_s: Option<f64>,
    /// What the core noticed first after it, as the event log names it.
    pub noticed: Option<String>,
    /// The axis named with it.
    pub noticed_axis: Option<String>,
    /// Time from the fault to that, s.
    pub noticed_after_s: Option<f64>,
    /// Time from the fault until every tip is at rest for good, s. Null if one still moves at the end.
    pub stopped_after_s: Option<f64>,
    /// How far the tip that moved on furthest moved on after the fault, m.
    pub moved_on_m: Option<f64>,
    /// Nearest that any arm part came to a zone, m; negative inside.
    pub nearest_m: Option<f64>,
    /// Largest distance of the tip from the straight line asked for, m.
    pub off_line_m: Option<f64>,
    /// Length of the way that the tip went along that line, m.
    pub along_line_m: Option<f64>,
    /// What was in the way of the first go-to that was refused: the name of a zone, an axis or an arm.
    pub refused: Option<String>,
    /// How far along its line that was, m.
    pub refused_along_m: Option<f64>,
    /// Largest change of the tips' places to one another while they carried, m. Null outside carry mode.
    pub apart_m: Option<f64>,
    /// How well each tip that was led kept to where it should be, up to the first fault. Empty where none was led.
    pub tracking: Vec<Tracking>,
    /// Greatest tip speed, m/s.
    pub fastest_tip_m_s: f64,
    /// State of the interlock at the end.
    pub end_state: String,
    /// Each expectation, with what was found.
    pub checks: Vec<Check>,
    /// All expectations hold.
    pub passed: bool,
}

/// One expectation.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Check {
    /// What was looked at.
    pub what: String,
    /// What was found.
    pub found: String,
    /// What was wanted.
    pub wanted: String,
    /// It is as wanted.
    pub passed: bool,
}

/// Measures a trace against what its scenario expects.
pub fn judge(scenario: &Scenario, seed: u64, trace: &Trace) -> Findings {
    let fault_at = scenario.first_fault();
    let noticed = fault_at.and_then(|at| first_noticed(trace, at));
    let line = scenario.line().map(|line| along(trace, &line, fault_at));
    let refused = refused(scenario, trace);
    let nearest = trace
        .samples
        .iter()
        .flat_map(|sample| sample.arms.iter().filter_map(|arm| arm.clearance))
        .reduce(f64::min);
    let fastest = trace
        .samples
        .iter()
        .flat_map(|sample| sample.arms.iter().map(|arm| arm.tip_speed))
        .fold(0.0, f64::max);
    let mut findings = Findings {
        scenario: scenario.name.clone(),
        about: scenario.about.clone(),
        machine: scenario.machine.name.clone(),
        seed,
        repeat: repeat(scenario, seed),
        digest: format!("{:016x}", trace.digest),
        false_alarm: false_alarm(scenario, trace),
        fault_at_s: fault_at,
        noticed: noticed.map(|event| event_name(&event.what)),
        noticed_axis: noticed
            .and_then(|event| event.axis)
            .map(|axis| scenario.machine.axes[axis].name.clone()),
        noticed_after_s: fault_at.zip(noticed).map(|(at, event)| event.t - at),
        stopped_after_s: fault_at.and_then(|at| rest_after(trace, at)),
        moved_on_m: fault_at.map(|at| moved_on(trace, at)),
        nearest_m: nearest,
        off_line_m: line.map(|(off, _)| off),
        along_line_m: line.map(|(_, along)| along),
        refused: refused.as_ref().map(|(name, _)| name.clone()),
        refused_along_m: refused.map(|(_, along)| along),
        apart_m: apart(scenario, trace),
        tracking: tracking(scenario, trace),
        fastest_tip_m_s: fastest,
        end_state: trace
            .samples
            .last()
            .map_or(State::SelfTest, |sample| sample.state)
            .to_string(),
        checks: Vec::new(),
        passed: false,
    };
    findings.checks = checks(scenario, &findings);
    findings.passed = findings.checks.iter().all(|check| check.passed);
    findings
}

/// The first cause latched from a time on, or else the first time that the guard held something back.
fn first_noticed(trace: &Trace, from: f64) -> Option<&Noticed> {
    let mut since = trace.events.iter().filter(|event| event.t >= from);
    let cause = since.clone().find(|event| event.cause().is_some());
    cause.or_else(|| since.find(|event| matches!(event.what, What::Held(_))))
}

/// The command that repeats a run.
fn repeat(scenario: &Scenario, seed: u64) -> String {
    format!("bellcrank rehearse {} --seed {seed}", quoted(&scenario.source))
}

/// A name or a path as a word of a command line: quoted for a shell where it has to be, and not to be taken for an option.
pub fn quoted(word: &str) -> String {
    let word = if word.starts_with('-') {
        format!("./{word}")
    } else {
        word.to_owned()
    };
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_./".contains(c);
    if word.chars().all(plain) {
        word
    } else {
        format!("'{}'", word.replace('\'', r"'\''"))
    }
}

/// The first cause latched before anything was wrong.
fn false_alarm(scenario: &Scenario, trace: &Trace) -> Option<String> {
    let healthy = scenario.first_fault().unwrap_or(f64::INFINITY);
    let alarm = trace
        .events
        .iter()
        .find(|event| event.t < healthy && event.cause().is_some())?;
    let axis = alarm
        .axis
        .map_or_else(String::new, |axis| format!(" ({})", scenario.machine.axes[axis].name));
    Some(format!("{}{axis} at {:.2} s", event_name(&alarm.what), alarm.t))
}

/// How long after `from` the last tip comes to rest for good.
pub(crate) fn rest_after(trace: &Trace, from: f64) -> Option<f64> {
    let moving = |sample: &crate::trace::Sample| sample.arms.iter().any(|arm| arm.tip_speed > AT_REST_M_S);
    let last = trace.samples.iter().rposition(moving);
    match last {
        Some(last) if last + 1 == trace.samples.len() => None,
        Some(last) => Some((trace.samples[last + 1].t - from).max(0.0)),
        None => Some(0.0),
    }
}

/// Furthest that any tip gets from where it was at `from`.
pub(crate) fn moved_on(trace: &Trace, from: f64) -> f64 {
    let Some(first) = trace.samples.iter().position(|sample| sample.t >= from) else {
        return 0.0;
    };
    let start = &trace.samples[first];
    trace.samples[first..]
        .iter()
        .flat_map(|sample| sample.arms.iter().zip(&start.arms))
        .map(|(arm, start)| (arm.tip() - start.tip()).norm())
        .fold(0.0, f64::max)
}

/// Largest distance of a tip from its line while it is asked to follow it, and how far it went along, up to the first fault.
fn along(trace: &Trace, line: &Line, fault_at: Option<f64>) -> (f64, f64) {
    // Until at rest after the lever was let go.
    let end = fault_at.unwrap_or(line.end + 1.0).min(line.end + 1.0);
    let tips = trace
        .samples
        .iter()
        .filter(|s| s.t >= line.start && s.t <= end)
        .map(|s| s.arms[line.arm].tip());
    let (mut start, mut direction) = (None, Vector3::zeros());
    let (mut off, mut along) = (0.0_f64, 0.0_f64);
    for tip in tips {
        let start = *start.get_or_insert_with(|| {
            direction = match line.toward {
                Target::By(way) => Vector3::from(way).normalize(),
                Target::At(place) => (Vector3::from(place) - tip).normalize(),
            };
            tip
        });
        let way = tip - start;
        off = off.max((way - direction * way.dot(&direction)).norm());
        along = along.max(way.dot(&direction));
    }
    (off, along)
}

/// What was in the way of the first go-to that was refused, and how far along.
fn refused(scenario: &Scenario, trace: &Trace) -> Option<(String, f64)> {
    trace.events.iter().find_map(|event| match event.what {
        What::OrderRefused(refusal) => Some((
            obstacle_name(&scenario.machine, &refusal),
            1e-3 * f64::from(refusal.along_mm),
        )),
        _ => None,
    })
}

/// Largest change of where the second arm's tip is beside the first's, from when the machine is first enabled, up to the first fault.
fn apart(scenario: &Scenario, trace: &Trace) -> Option<f64> {
    if scenario.mode != Mode::Carry {
        return None;
    }
    let until = scenario.first_fault().unwrap_or(f64::INFINITY);
    let healthy = trace.samples.iter().take_while(|sample| sample.t < until);
    let carried = healthy.skip_while(|sample| sample.state != State::Enabled);
    let mut between = carried.filter_map(|sample| Some(sample.arms.get(1)?.tip() - sample.arms.first()?.tip()));
    let first = between.next()?;
    Some(between.map(|now| (now - first).norm()).fold(0.0, f64::max))
}

fn checks(scenario: &Scenario, found: &Findings) -> Vec<Check> {
    let expect = &scenario.expect;
    let clearance = expect.clearance.unwrap_or(0.0);
    let mut checks = Vec::new();
    let mut add = |what: &str, found: String, wanted: String, passed: bool| {
        checks.push(Check {
            what: what.to_string(),
            found,
            wanted,
            passed,
        });
    };
    if let Some(nearest) = found.nearest_m {
        add(
            "nearest to a zone",
            mm(nearest),
            format!("at least {}", mm(clearance)),
            nearest >= clearance,
        );
    }
    if let Some(cause) = &expect.cause {
        let noticed = found.noticed.clone().unwrap_or_else(|| "nothing".to_string());
        let right = noticed == *cause;
        add("noticed as", noticed, cause.clone(), right);
    }
    if let Some(axis) = expect.axis {
        let wanted = scenario.machine.axes[axis].name.clone();
        let named = found.noticed_axis.clone().unwrap_or_else(|| "none".to_string());
        let right = named == wanted;
        add("axis named", named, wanted, right);
    }
    let mut at_most = |what: &str, value: Option<f64>, limit: Option<f64>, unit: fn(f64) -> String| {
        if let Some(limit) = limit {
            let shown = value.map_or_else(|| "never".to_string(), unit);
            add(
                what,
                shown,
                format!("at most {}", unit(limit)),
                value.is_some_and(|value| value <= limit),
            );
        }
    };
    at_most("noticed after", found.noticed_after_s, expect.noticed, ms);
    at_most("stopped after", found.stopped_after_s, expect.stopped, ms);
    at_most("moved on by", found.moved_on_m, expect.travel, mm);
    at_most("off the line by", found.off_line_m, expect.off_line, mm);
    at_most("tips apart by", found.apart_m, expect.apart, mm);
    if let Some(least) = expect.along_line {
        let along = found.along_line_m;
        add(
            "along the line by",
            along.map_or_else(|| "never".to_string(), mm),
            format!("at least {}", mm(least)),
            along.is_some_and(|along| along >= least),
        );
    }
    let refused = found.refused.clone();
    if expect.refused.is_some() || refused.is_some() {
        let shown = |name: &Option<String>| name.clone().unwrap_or_else(|| "nothing".to_string());
        add(
            "go-to refused for",
            shown(&refused),
            shown(&expect.refused),
            refused == expect.refused,
        );
    }
    if let Some(state) = expect.state {
        let wanted = state.to_string();
        add(
            "state at the end",
            found.end_state.clone(),
            wanted.clone(),
            found.end_state == wanted,
        );
    }
    let alarm = found.false_alarm.clone();
    add(
        "false alarms",
        alarm.clone().unwrap_or_else(|| "none".to_string()),
        "none".to_string(),
        alarm.is_none(),
    );
    checks
}

fn mm(metres: f64) -> String {
    format!("{:.1} mm", 1e3 * metres)
}

fn ms(seconds: f64) -> String {
    format!("{:.0} ms", 1e3 * seconds)
}
