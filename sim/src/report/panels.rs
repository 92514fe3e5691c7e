//! What the charts of a rehearsal show, and of which axis.

use maud::{Markup, html};

use super::chart::{self, Level, Panel, Series};
use super::moments::Moment;
use super::units::{BAR, MM, stroke_unit};
use super::{Rehearsed, band};
use crate::findings::AT_REST_M_S;
use crate::scenario::{Act, FaultKind};
use crate::trace::{ArmSample, AxisSample, Sample};

/// Time shown before a fault and after the rest that follows it, s.
const AROUND: f64 = 0.5;

/// All charts of a rehearsal, one below the other on the same time axis; beside each, where there is a fault, the time around it.
pub fn charts(rehearsed: &Rehearsed, moments: &[Moment]) -> Markup {
    let windows = windows(rehearsed, moments);
    html! {
        @if !windows.is_empty() {
            (band::figure(rehearsed.trace, &windows, moments))
            @for panel in panels(rehearsed) { (chart::figure(&panel, &windows, moments)) }
        }
    }
}

/// The whole time, and the time around the fault if that is much less. None without a sample.
fn windows(rehearsed: &Rehearsed, moments: &[Moment]) -> Vec<(f64, f64)> {
    let samples = &rehearsed.trace.samples;
    let (Some(first), Some(last)) = (samples.first(), samples.last()) else {
        return Vec::new();
    };
    let whole = (first.t, last.t.max(first.t + rehearsed.trace.interval));
    let around = rehearsed
        .findings
        .fault_at_s
        .zip(moments.last())
        .map(|(fault, over)| ((fault - AROUND).max(whole.0), (over.t + AROUND).min(whole.1)));
    let closer = around.filter(|around| around.1 - around.0 < 0.5 * (whole.1 - whole.0));
    [Some(whole), closer].into_iter().flatten().collect()
}

fn panels(rehearsed: &Rehearsed) -> Vec<Panel> {
    let mut panels = vec![tip_speed(rehearsed)];
    panels.extend(clearance(rehearsed));
    panels.extend(axis(rehearsed).into_iter().flat_map(|axis| of_axis(rehearsed, axis)));
    panels
}

fn tip_speed(rehearsed: &Rehearsed) -> Panel {
    Panel {
        title: "Tip speed".to_string(),
        unit: "mm/s",
        series: of_arms(rehearsed, |arm| Some(MM * arm.tip_speed)),
        level: Some(Level {
            at: MM * AT_REST_M_S,
            name: "at rest below this",
        }),
    }
}

/// None where the machine has no zone.
fn clearance(rehearsed: &Rehearsed) -> Option<Panel> {
    let series = of_arms(rehearsed, |arm| arm.clearance.map(|clearance| MM * clearance));
    series.iter().any(|line| !line.values.is_empty()).then(|| Panel {
        title: "Clearance to the nearest zone".to_string(),
        unit: "mm",
        series,
        level: Some(Level {
            at: 0.0,
            name: "inside a zone below this",
        }),
    })
}

fn of_arms(rehearsed: &Rehearsed, value: impl Fn(&ArmSample) -> Option<f64>) -> Vec<Series> {
    let of_arm = |number: usize| {
        let at = |sample: &Sample| Some((sample.t, value(sample.arms.get(number)?)?));
        rehearsed.trace.samples.iter().filter_map(at).collect()
    };
    let arms = rehearsed.scenario.machine.arms.iter().enumerate();
    arms.map(|(number, arm)| Series {
        name: arm.name.clone(),
        values: of_arm(number),
    })
    .collect()
}

fn of_axis(rehearsed: &Rehearsed, axis: usize) -> [Panel; 3] {
    let described = &rehearsed.scenario.machine.axes[axis];
    let (scale, unit) = stroke_unit(described);
    let line = |name: &str, value: &dyn Fn(&Sample, &AxisSample) -> f64| {
        let at = |sample: &Sample| Some((sample.t, value(sample, sample.axes.get(axis)?)));
        Series {
            name: name.to_string(),
            values: rehearsed.trace.samples.iter().filter_map(at).collect(),
        }
    };
    let panel = |what: &str, unit, series| Panel {
        title: format!("{what}: {}", described.name),
        unit,
        series,
        level: None,
    };
    [
        panel(
            "Stroke rate",
            if unit == "deg" { "deg/s" } else { "mm/s" },
            vec![
                line("true", &|_, a| scale * a.rate),
                line("asked", &|_, a| scale * a.asked),
            ],
        ),
        panel(
            "Valve",
            "% of full",
            vec![
                line("true spool", &|_, a| 100.0 * a.spool),
                line("opening asked", &|_, a| 100.0 * a.opening),
            ],
        ),
        panel(
            "Pressure",
            "bar",
            vec![
                line("extending chamber", &|_, a| BAR * a.pressure_a),
                line("retracting chamber", &|_, a| BAR * a.pressure_b),
                line("pressure line", &|sample, _| BAR * sample.supply),
            ],
        ),
    ]
}

/// The axis concerned: the one noticed, else the one at fault, else the one that moved through most of its travel.
fn axis(rehearsed: &Rehearsed) -> Option<usize> {
    let axes = &rehearsed.scenario.machine.axes;
    let noticed = rehearsed.findings.noticed_axis.as_ref();
    noticed
        .and_then(|name| axes.iter().position(|axis| axis.name == *name))
        .or_else(|| rehearsed.scenario.faults.iter().find_map(|fault| at_fault(&fault.kind)))
        .or_else(|| (0..axes.len()).max_by(|&a, &b| moved(rehearsed, a).total_cmp(&moved(rehearsed, b))))
}

/// The axis at fault, if the fault is one of an axis.
pub fn at_fault(kind: &FaultKind) -> Option<usize> {
    match *kind {
        FaultKind::SensorOpen { axis }
        | FaultKind::SensorShort { axis }
        | FaultKind::SensorStuck { axis }
        | FaultKind::SensorJump { axis, .. }
        | FaultKind::SensorSlip { axis, .. }
        | FaultKind::SensorNoise { axis, .. }
        | FaultKind::SensorStale { axis }
        | FaultKind::ExcitationSag { axis, .. }
        | FaultKind::TwinDrift { axis, .. }
        | FaultKind::TwinOpen { axis }
        | FaultKind::SensorsSwapped { axis, .. }
        | FaultKind::SensorReversed { axis }
        | FaultKind::ValveStuck { axis }
        | FaultKind::ValveStuckOpen { axis, .. }
        | FaultKind::ValveDead { axis }
        | FaultKind::ValveReversed { axis }
        | FaultKind::ValveSlow { axis, .. }
        | FaultKind::OverlapGrown { axis, .. }
        | FaultKind::ValveLeaks { axis, .. }
        | FaultKind::HoldingStuckOpen { axis }
        | FaultKind::HoseBurst { axis, .. }
        | FaultKind::PistonLeak { axis, .. }
        | FaultKind::SpoolWeak { axis, .. }
        | FaultKind::WrongLever {
            act: Act::Lever { axis, .. },
        } => Some(axis),
        FaultKind::LinkLost { .. }
        | FaultKind::LinkPoor { .. }
        | FaultKind::LinkDelayed { .. }
        | FaultKind::LinkRepeats { .. }
        | FaultKind::LinkReorders { .. }
        | FaultKind::LinkCorrupts { .. }
        | FaultKind::LinkForged { .. }
        | FaultKind::LinkJammed { .. }
        | FaultKind::LinkHalfOpen { .. }
        | FaultKind::StopButton
        | FaultKind::HandStop { .. }
        | FaultKind::StopChannelStuck { .. }
        | FaultKind::StopChannelBounces { .. }
        | FaultKind::RelayWelded { .. }
        | FaultKind::RelayDead { .. }
        | FaultKind::SupplySag { .. }
        | FaultKind::BrownOut { .. }
        | FaultKind::TickEarly
        | FaultKind::LoopHangs
        | FaultKind::Restart
        | FaultKind::RecordFlipped { .. }
        | FaultKind::ImageDamaged { .. }
        | FaultKind::LeversReversed
        | FaultKind::LeversStuck
        | FaultKind::EnableTied
        | FaultKind::StopChannelOpen { .. }
        | FaultKind::WrongLever { .. }
        | FaultKind::EngineStall
        | FaultKind::OilHot { .. }
        | FaultKind::AirInOil { .. }
        | FaultKind::ReliefStuckOpen { .. }
        | FaultKind::DumpStuck
        | FaultKind::PumpWorn { .. } => None,
    }
}

/// The share of its travel that an axis went through.
fn moved(rehearsed: &Rehearsed, axis: usize) -> f64 {
    let strokes = rehearsed
        .trace
        .samples
        .iter()
        .filter_map(|sample| Some(sample.axes.get(axis)?.stroke));
    let (low, high) = strokes.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), stroke| {
        (l.min(stroke), h.max(stroke))
    });
    (high - low) / rehearsed.scenario.machine.axes[axis].actuator.travel
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::fabricated;

    #[test]
    fn the_axis_noticed_goes_before_the_one_that_moved() {
        let rehearsals = fabricated::rehearsals();
        let axes = rehearsals.iter().map(|(scenario, trace, findings)| {
            axis(&Rehearsed {
                scenario,
                trace,
                findings,
            })
        });
        assert_eq!(axes.collect::<Vec<_>>(), [Some(1), Some(1)]);
        let (scenario, trace, findings) = &rehearsals[1];
        let mut other = findings.clone();
        other.noticed_axis = Some("right stick".into());
        assert_eq!(
            axis(&Rehearsed {
                scenario,
                trace,
                findings: &other
            }),
            Some(5)
        );
        other.noticed_axis = None;
        assert_eq!(
            axis(&Rehearsed {
                scenario,
                trace,
                findings: &other
            }),
            Some(1)
        );
    }
}
