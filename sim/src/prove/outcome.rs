//! One run judged: what was measured, and whether it is good.
//!
//! | verdict | means |
//! |---|---|
//! | good | noticed in time under a true name, stopped, and it stayed stopped; or nothing was wrong, and nothing came of it; or nothing was left that could notice, and all came to rest and stayed without current |
//! | quiet | not noticed, and nothing came of it: it shows only when the machine is asked for what it no longer can |
//! | beyond | not good, and no software alone could have made it so: the catalogue says what it takes |
//! | failed | not good |
//! | void | the simulation failed: the run says nothing |
//!
//! In hostile hands a stop may come before the fault, and under another name than that of the fault: no work is being done that it could
//! disturb. All else holds for them as for others.

use bellcrank_core::cause::Cause;
use bellcrank_core::supervise::{State, What};
use bellcrank_machine::description::Description;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::catalogue::Subsystem;
use super::operator::Operator;
use super::suite::{Limits, Placed, Run, Suite};
use crate::findings::{moved_on, rest_after};
use crate::run::{RunError, rehearse};
use crate::scenario::Scenario;
use crate::trace::{Noticed, Sample, Trace, event_name};

/// Once noticed and stopped, a tip that sinks by more than this has been dropped, m.
pub const DROPPED_M: f64 = 0.1;

/// What a chamber stands once: so many times the setting of the valve that relieves it. Cylinders are proof-tested at 1.5 times the pressure that
/// they are made for (ISO 10100, *from memory*); that this pressure is the valve's setting is common practice, no source.
const PROOF: f64 = 1.5;

/// What came of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// Noticed in time under a true name, stopped, and it stayed stopped.
    Good,
    /// Not noticed, and nothing came of it.
    Quiet,
    /// Not good, and beyond what software alone can do.
    Beyond,
    /// Not good.
    Failed,
    /// The simulation failed.
    #[default]
    Void,
}

impl Verdict {
    /// Its name in ledgers and reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Quiet => "quiet",
            Self::Beyond => "beyond",
            Self::Failed => "failed",
            Self::Void => "void",
        }
    }

    /// The campaign fails by it.
    pub fn fails(self) -> bool {
        matches!(self, Self::Failed | Self::Void)
    }
}

/// One line of the ledger. Lengths in mm, times in ms, pressures in bar; what does not apply is empty.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Outcome {
    /// Number of the run in its suite.
    pub run: u64,
    /// Name of the machine.
    pub machine: String,
    /// The work that was being done.
    pub work: String,
    /// What was put in, by its names in the catalogue, joined by " + ".
    pub faults: String,
    /// The axis of each, joined in the same way; - where it is about none.
    pub axes: String,
    /// When each came, s.
    pub at_s: String,
    /// How bad each was, percent of the entry's range.
    pub amounts_percent: String,
    /// Who held the levers.
    pub operator: String,
    /// Seed of the noise.
    pub seed: u64,
    /// What came of it.
    pub verdict: Verdict,
    /// Why it is not good, if it is not.
    pub reason: String,
    /// What the core named first.
    pub noticed: String,
    /// The axis it named with it.
    pub noticed_axis: String,
    /// From the first fault to that.
    pub noticed_ms: Option<f64>,
    /// From the first fault until all tips were at rest for good.
    pub stopped_ms: Option<f64>,
    /// Way of the tip that moved on furthest, from when it was noticed to rest.
    pub travel_mm: Option<f64>,
    /// Nearest that any arm part came to a zone.
    pub nearest_mm: Option<f64>,
    /// Speed of the fastest tip at that moment, mm/s.
    pub speed_there_mm_s: Option<f64>,
    /// Greatest pressure in any chamber.
    pub pressure_bar: f64,
    /// The greatest of the chambers' pressures beside what each stands (1.5 times the setting of the valve that relieves it), percent.
    pub pressure_percent: Option<f64>,
    /// How far a tip sank once all was without power.
    pub sank_mm: Option<f64>,
    /// Nearest that any arm part came to each zone that keeps it out, each with its name, joined by " + ".
    pub zones_mm: String,
    /// Nearest that the arms came to each other.
    pub arms_mm: Option<f64>,
    /// From a stop being called for, by a fault that shows at once, by one of the controller itself, or else by the core's noticing, until all
    /// tips were at rest for good.
    pub stop_ms: Option<f64>,
    /// Way of the tip that went furthest meanwhile.
    pub stop_way_mm: Option<f64>,
    /// Digest of the run, hexadecimal.
    pub digest: String,
}

/// Rehearses a run and judges it.
pub fn outcome(suite: &Suite, run: &Run) -> Outcome {
    let scenario = suite.scenario(run);
    match rehearse(&scenario, run.seed) {
        Ok(trace) => judge(suite, run, &scenario, &trace),
        Err(error) => void(suite, run, &error),
    }
}

/// Judges what a run recorded.
pub fn judge(suite: &Suite, run: &Run, scenario: &Scenario, trace: &Trace) -> Outcome {
    let machine = &scenario.machine;
    let fault = scenario.first_fault();
    let at = fault.unwrap_or(0.0);
    let first = trace
        .events
        .iter()
        .find(|event| event.t >= at && event.cause().is_some());
    let early = trace
        .events
        .iter()
        .find(|event| event.t < fault.unwrap_or(f64::INFINITY) && event.cause().is_some());
    let (nearest, speed) = nearest(trace).unzip();
    let sank = first.and_then(|event| sank(trace, event.t));
    let travel = first.map(|event| moved_on(trace, event.t));
    let called = first.map(|event| called(run, trace, event.t));
    let (pressure, share) = pressure(machine, trace);
    let mut reasons = Vec::new();
    if nearest.is_some_and(|nearest: f64| nearest < 0.0) {
        reasons.push("an arm entered a zone".to_owned());
    }
    if trace.extremes.between_arms.is_some_and(|between| between < 0.0) {
        reasons.push("the arms met".to_owned());
    }
    if share > 1.0 {
        reasons.push(format!("a chamber came to {:.0} % of what it stands", 1e2 * share));
    }
    let sane = run.operator != Operator::Hostile;
    if let Some(alarm) = early.filter(|_| sane) {
        reasons.push(format!("false alarm: {}", event_name(&alarm.what)));
    }
    let shows = |placed: &&Placed| placed.entry.always && enabled(trace, placed.at);
    match first {
        Some(event) => reasons.extend(after(&suite.limits, run, trace, event, fault, travel, sank)),
        None if sane || early.is_none() => {
            // What goes wrong at the end of a run has no time to be noticed in it.
            let end = trace.samples.last().map_or(0.0, |last| last.t);
            // Nor has what comes shortly before nothing is left to notice it.
            let end = silent(run).fold(end, |end, placed| end.min(placed.at));
            let shows = |placed: &&Placed| shows(placed) && placed.at + suite.limits.noticed <= end;
            if let Some(missed) = run.faults.iter().find(shows) {
                reasons.push(format!("{} was not noticed", missed.entry.name));
            }
        }
        None => {}
    }
    reasons.extend(silent(run).flat_map(|placed| in_silence(&suite.limits, trace, placed.at)));
    let beyond = run.faults.iter().any(|placed| placed.entry.beyond.is_some());
    let seen_to = first.is_some() || run.faults.is_empty() || silent(run).next().is_some();
    let verdict = match (reasons.is_empty(), seen_to) {
        (true, true) => Verdict::Good,
        (true, false) => Verdict::Quiet,
        (false, _) if beyond => Verdict::Beyond,
        (false, _) => Verdict::Failed,
    };
    let mm = |metres: f64| tenths(1e3 * metres);
    Outcome {
        verdict,
        reason: reasons.join("; "),
        noticed: first.map_or_else(String::new, |event| event_name(&event.what)),
        noticed_axis: first
            .and_then(|event| event.axis)
            .map_or_else(String::new, |axis| machine.axes[axis].name.clone()),
        noticed_ms: first.zip(fault).map(|(event, at)| tenths(1e3 * (event.t - at))),
        stopped_ms: fault
            .and_then(|at| rest_after(trace, at))
            .map(|after| tenths(1e3 * after)),
        travel_mm: travel.map(mm),
        nearest_mm: nearest.map(mm),
        speed_there_mm_s: speed.map(mm),
        pressure_bar: tenths(1e-5 * pressure),
        pressure_percent: Some(tenths(1e2 * share)),
        sank_mm: sank.map(mm),
        zones_mm: zones(machine, trace),
        arms_mm: trace.extremes.between_arms.map(mm),
        stop_ms: called
            .and_then(|from| rest_after(trace, from))
            .map(|after| tenths(1e3 * after)),
        stop_way_mm: called.map(|from| mm(moved_on(trace, from))),
        digest: format!("{:016x}", trace.digest),
        ..named(suite, run)
    }
}

/// When a stop was called for, s: by the first fault that shows at once or that is the controller's own, or else by its being noticed. What
/// the controller cannot notice while it stands still is for the external watchdog. Where the hands have enabled the machine anew meanwhile, as
/// they may after a restart, that stop was over.
fn called(run: &Run, trace: &Trace, noticed: f64) -> f64 {
    let anew = |placed: &Placed| {
        let mut events = trace.events.iter();
        events.any(|event| event.t > placed.at && event.t < noticed && event.what == What::State(State::Enabled))
    };
    let calls = run
        .faults
        .iter()
        .filter(|placed| (placed.entry.always || of_controller(placed)) && !anew(placed));
    calls.map(|placed| placed.at).fold(noticed, f64::min)
}

fn of_controller(placed: &Placed) -> bool {
    placed.entry.subsystem == Subsystem::Controller
}

/// The faults that leave nothing to notice them.
fn silent(run: &Run) -> impl Iterator<Item = &Placed> {
    run.faults.iter().filter(|placed| placed.entry.silent)
}

/// What must hold from when nothing is left that could notice anything.
fn in_silence(limits: &Limits, trace: &Trace, at: f64) -> Vec<String> {
    let mut reasons = Vec::new();
    let mut since = trace.samples.iter().filter(|sample| sample.t > at);
    let told = |sample: &Sample| sample.state != State::SelfTest || sample.axes.iter().any(|axis| axis.signal != 0.0);
    if let Some(sample) = since.find(|sample| told(sample)) {
        reasons.push(format!(
            "something was put out {:.0} ms after the controller ended",
            1e3 * (sample.t - at)
        ));
    }
    let rest = rest_after(trace, at);
    if rest.is_none_or(|rest| rest > limits.noticed + limits.stopped) && has_time(limits, trace, at) {
        reasons.push("not at rest in time after the controller ended".to_owned());
    }
    let travel = moved_on(trace, at);
    if travel > limits.travel {
        reasons.push(format!("a tip moved on by {:.0} mm", 1e3 * travel));
    }
    reasons
}

/// There is time left in the run to come to rest in.
fn has_time(limits: &Limits, trace: &Trace, at: f64) -> bool {
    trace
        .samples
        .last()
        .is_some_and(|last| last.t >= at + limits.noticed + limits.stopped)
}

/// The greatest pressure in any chamber, Pa, and the greatest beside what its chamber stands, 1 being that.
fn pressure(machine: &Description, trace: &Trace) -> (f64, f64) {
    let axes = machine.axes.iter().zip(&trace.extremes.pressure);
    axes.fold((0.0, 0.0), |(most, share), (axis, &pressure)| {
        let relieved = axis.valve.port_relief.unwrap_or(machine.supply.relief);
        (pressure.max(most), (pressure / (PROOF * relieved)).max(share))
    })
}

/// The nearest to each zone, in the ledger's words.
fn zones(machine: &Description, trace: &Trace) -> String {
    let zones = machine.zones.iter().zip(&trace.extremes.zones);
    let told = zones.filter_map(|(zone, least)| Some(format!("{} {:.1}", zone.name, 1e3 * (*least)?)));
    told.collect::<Vec<_>>().join(" + ")
}

/// Whether the machine is enabled at a time, s: what comes to one that stands without power shows only when it is to work again.
fn enabled(trace: &Trace, t: f64) -> bool {
    let then = trace.samples.iter().rfind(|sample| sample.t <= t);
    then.is_some_and(|sample| sample.state == State::Enabled)
}

/// What must hold after something was noticed.
fn after(
    limits: &Limits,
    run: &Run,
    trace: &Trace,
    event: &Noticed,
    fault: Option<f64>,
    travel: Option<f64>,
    sank: Option<f64>,
) -> Vec<String> {
    let mut reasons = Vec::new();
    let cause = event.cause().unwrap_or(Cause::StopButton);
    let blamed = run.faults.iter().filter(|placed| placed.entry.names.contains(&cause));
    let (mut true_name, mut true_axis) = (false, false);
    for placed in blamed {
        true_name = true;
        let own = event.axis.is_none() || placed.axis.is_none() || event.axis == placed.axis;
        true_axis |= own || placed.entry.elsewhere;
    }
    if run.operator == Operator::Hostile || fault.is_none() {
        // Of hostile hands see above; where nothing is wrong, it is a false alarm, and told as that.
    } else if !true_name {
        reasons.push(format!("named untruly: {}", cause.name()));
    } else if !true_axis {
        reasons.push("named on another axis".to_owned());
    }
    let late = fault.map(|at| event.t - at).filter(|late| *late > limits.noticed);
    if let Some(late) = late.filter(|_| run.faults.iter().all(|placed| placed.entry.always)) {
        reasons.push(format!("noticed only after {:.0} ms", 1e3 * late));
    }
    match rest_after(trace, event.t) {
        Some(rest) if rest <= limits.stopped => {}
        Some(rest) => reasons.push(format!("at rest only {:.0} ms after it was noticed", 1e3 * rest)),
        // What trips at the end of a run has no time to come to rest in it.
        None if trace
            .samples
            .last()
            .is_some_and(|last| last.t < event.t + limits.stopped) => {}
        None => reasons.push("never at rest".to_owned()),
    }
    if run.faults.iter().any(of_controller)
        && let Some(rest) = rest_after(trace, called(run, trace, event.t))
        && rest > limits.noticed + limits.stopped
    {
        reasons.push(format!("at rest only {:.0} ms after the controller failed", 1e3 * rest));
    }
    if let Some(travel) = travel.filter(|travel| *travel > limits.travel) {
        reasons.push(format!("a tip moved on by {:.0} mm", 1e3 * travel));
    }
    if let Some(sank) = sank.filter(|sank| *sank > DROPPED_M) {
        reasons.push(format!("a tip sank by {:.0} mm without power", 1e3 * sank));
    }
    let starts = |later: &&Noticed| later.t > event.t && later.what == What::State(State::Enabled);
    if trace.events.iter().any(|later| starts(&later)) {
        reasons.push("it started again without a reset".to_owned());
    }
    reasons
}

/// The nearest that any arm part came to a zone, m, and how fast the fastest tip was then, m/s.
fn nearest(trace: &Trace) -> Option<(f64, f64)> {
    let of = |sample: &Sample| {
        let clearance = sample.arms.iter().filter_map(|arm| arm.clearance).reduce(f64::min)?;
        let speed = sample.arms.iter().map(|arm| arm.tip_speed).fold(0.0, f64::max);
        Some((clearance, speed))
    };
    trace.samples.iter().filter_map(of).min_by(|a, b| a.0.total_cmp(&b.0))
}

/// How far the tip that sank furthest sank after the power was gone, from a time on, m.
fn sank(trace: &Trace, from: f64) -> Option<f64> {
    let off = |sample: &&Sample| sample.t >= from && matches!(sample.state, State::Stopped | State::Fault);
    let without: Vec<_> = trace.samples.iter().filter(off).collect();
    // What still moves when the power goes is no load that drops: it has half a second to come to rest.
    let first = without.iter().find(|sample| sample.t >= without[0].t + 0.5)?;
    let last = without.last()?;
    let arms = first.arms.iter().zip(&last.arms);
    Some(
        arms.map(|(first, last)| first.tip().z - last.tip().z)
            .fold(0.0, f64::max),
    )
}

impl Outcome {
    /// What went wrong, on which axis, in whose hands.
    pub fn what(&self) -> String {
        if self.faults.is_empty() {
            format!("nothing wrong, {}", self.operator)
        } else {
            format!("{} ({}), {}", self.faults, self.axes, self.operator)
        }
    }
}

/// The columns that name a run.
pub fn named(suite: &Suite, run: &Run) -> Outcome {
    let work = &suite.works[run.work];
    let axis = |axis: Option<usize>| {
        axis.map_or("-", |axis| work.machine.axes[axis].name.as_str())
            .to_owned()
    };
    let joined = |words: Vec<String>| words.join(" + ");
    let each = |word: &dyn Fn(&Placed) -> String| joined(run.faults.iter().map(word).collect());
    Outcome {
        run: run.number,
        machine: work.machine.name.clone(),
        work: work.name.clone(),
        faults: each(&|placed| placed.entry.name.to_owned()),
        axes: each(&|placed| axis(placed.axis)),
        at_s: each(&|placed| format!("{:.3}", placed.at)),
        amounts_percent: each(&|placed| format!("{:.1}", 1e2 * placed.amount)),
        operator: run.operator.name().to_owned(),
        seed: run.seed,
        ..Outcome::default()
    }
}

fn void(suite: &Suite, run: &Run, error: &RunError) -> Outcome {
    Outcome {
        reason: error.to_string(),
        ..named(suite, run)
    }
}

/// To one digit after the point: what is written is what is judged to, on any machine.
fn tenths(number: f64) -> f64 {
    (10.0 * number).round() / 10.0
}
