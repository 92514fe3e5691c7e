//! `bellcrank survey`: what a machine's geometry, hydraulics and sensing allow.

use miette::{IntoDiagnostic, miette};

use super::{Console, MachineArg, Verdict, decimals, listed, table};
use crate::survey::{self, ActuatorSurvey, ArmSurvey, AxisSurvey, EachWay, Holding, Survey};

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Tell what a machine's geometry, hydraulics and sensing allow

Strokes and moment arms over each joint's range; forces and speeds; what one step of the sensor's converter is at the \
tip; the pressure that holds the arm in the worst pose of a coarse grid; the natural frequency of the oil at mid \
stroke; reach, and how near the links can come to the zones. Exit code 1 if the supply pressure cannot hold the \
machine, or the payload, somewhere on the grid.";

/// Greatest payload, kg.
const PAYLOAD_MAX: f64 = 1e6;

/// `bellcrank survey MACHINE`
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    machine: MachineArg,
    /// Mass hung from the tip of each arm, beside the bare machine, kg
    #[arg(long, value_name = "KG", default_value_t = 0.0, allow_hyphen_values = true)]
    payload_kg: f64,
}

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        if !(0.0..=PAYLOAD_MAX).contains(&self.payload_kg) {
            return Err(miette!(
                "--payload-kg: found {}, wanted a mass from 0 to {PAYLOAD_MAX}",
                self.payload_kg
            ));
        }
        let machine = self.machine.load()?;
        let survey = survey::survey(&machine, self.payload_kg).into_diagnostic()?;
        console.show(&survey, text)?;
        console.caution();
        Ok(survey.too_weak.is_empty().into())
    }
}

/// A survey for people, at most 100 columns wide.
pub fn text(survey: &Survey) -> String {
    let arms: String = survey.arms.iter().map(arm_text).collect();
    format!(
        "{} ({} bar, {} l/min)\n\n{}{COUNTS}\n{}{WAYS}\n{arms}{}",
        survey.machine,
        decimals(survey.supply_bar, 0),
        decimals(survey.pump_lpm, 0),
        geometry(survey),
        hydraulics(survey),
        verdict(survey)
    )
}

const COUNTS: &str = "count: one step of the sensor's converter, in stroke and joint; tip: what it is there at worst\n";
const WAYS: &str = "\
out / in. pump: its whole flow; valve: its rated flow; deg/s: joint, both at least moment arm
hold: in the worst pose of the grid; Hz: mass on the oil at mid stroke, in the slowest pose
";

fn geometry(survey: &Survey) -> String {
    let heading = [
        "axis",
        "joint deg",
        "stroke mm",
        "of",
        "moment arm mm",
        "count mm",
        "count deg",
        "tip mm",
    ];
    table(
        heading,
        survey.axes.iter().map(|axis| {
            let (stroke, of, arm, count) = match &axis.actuator {
                ActuatorSurvey::Cylinder {
                    stroke_mm,
                    travel_mm,
                    moment_arm_mm,
                    count_mm,
                    ..
                } => (
                    span(*stroke_mm),
                    decimals(*travel_mm, 0),
                    span(*moment_arm_mm),
                    decimals(*count_mm, 3),
                ),
                ActuatorSurvey::Motor {
                    stroke_deg, travel_deg, ..
                } => (
                    format!("{} deg", span(*stroke_deg)),
                    decimals(*travel_deg, 0),
                    "motor".to_owned(),
                    "-".to_owned(),
                ),
            };
            let tip = axis.count_tip_mm.map_or("-".to_owned(), |mm| decimals(mm, 2));
            vec![
                axis.axis.clone(),
                span(axis.range_deg),
                stroke,
                of,
                arm,
                count,
                decimals(axis.count_joint_deg, 4),
                tip,
            ]
        }),
    )
}

fn hydraulics(survey: &Survey) -> String {
    let loaded = survey.payload_kg > 0.0;
    let kg = format!("+{} kg", survey.payload_kg);
    let mut heading = vec![
        "axis",
        "push kN",
        "pull kN",
        "pump mm/s",
        "valve mm/s",
        "deg/s",
        "hold bar",
        "Hz",
    ];
    if loaded {
        heading.insert(7, &kg);
        heading.push(&kg);
    }
    table(
        heading,
        survey.axes.iter().map(|axis| {
            let bar =
                |holding: &Option<Holding>| holding.as_ref().map_or("-".to_owned(), |hold| hold_text(survey, hold));
            let hz = |hz: Option<f64>| hz.map_or("-".to_owned(), |hz| decimals(hz, 1));
            let mut row = vec![axis.axis.clone()];
            row.extend(match &axis.actuator {
                ActuatorSurvey::Cylinder {
                    push_kn,
                    pull_kn,
                    pump_mm_s,
                    valve_mm_s,
                    ..
                } => [
                    decimals(*push_kn, 1),
                    decimals(*pull_kn, 1),
                    both(*pump_mm_s),
                    both(*valve_mm_s),
                ],
                ActuatorSurvey::Motor { torque_knm, .. } => [
                    format!("{} kN m", decimals(*torque_knm, 2)),
                    "same".to_owned(),
                    "-".to_owned(),
                    "-".to_owned(),
                ],
            });
            row.extend([both(slower(axis)), bar(&axis.holding)]);
            if loaded {
                row.push(bar(&axis.holding_payload));
            }
            row.push(hz(axis.natural_hz));
            if loaded {
                row.push(hz(axis.natural_payload_hz));
            }
            row
        }),
    )
}

fn hold_text(survey: &Survey, hold: &Holding) -> String {
    let mark = if hold.bar > survey.supply_bar { " !" } else { "" };
    decimals(hold.bar, 0) + mark
}

/// What the pump and the valve both allow.
fn slower(axis: &AxisSurvey) -> EachWay {
    let (pump, valve) = (axis.joint_pump_deg_s, axis.joint_valve_deg_s);
    EachWay {
        extend: pump.extend.min(valve.extend),
        retract: pump.retract.min(valve.retract),
    }
}

fn arm_text(arm: &ArmSurvey) -> String {
    let places = [
        ("furthest", &arm.furthest),
        ("nearest", &arm.nearest),
        ("highest", &arm.highest),
        ("lowest", &arm.lowest),
    ];
    let rows = places.map(|(name, place)| {
        let [x, y, z] = place.tip_mm.map(|mm| decimals(mm, 0));
        vec![
            name.to_owned(),
            decimals(place.from_base_mm, 0),
            x,
            y,
            z,
            angles(&place.angles_deg),
        ]
    });
    let reach = table(["tip", "from base mm", "x", "y", "z", "pose deg"], rows);
    let zones = arm.zones.iter().map(|zone| {
        let name = format!("{} (margin {} mm)", zone.zone, decimals(zone.margin_mm, 0));
        vec![
            name,
            decimals(zone.clearance_mm, 0),
            zone.nearest_link.clone(),
            angles(&zone.angles_deg),
        ]
    });
    let zones = if arm.zones.is_empty() {
        String::new()
    } else {
        table(["zone", "clearance mm", "link of", "pose deg"], zones) + "\n"
    };
    let lead = format!("Arm {:?}, on a grid over the ranges of", arm.arm);
    format!("{}{reach}\n{zones}", listed(&lead, &arm.axes))
}

fn verdict(survey: &Survey) -> String {
    let mut text = String::new();
    if !survey.without_load_holding_valve.is_empty() {
        text += &listed(
            "Carrying weight without a load-holding valve:",
            &survey.without_load_holding_valve,
        );
    }
    for arm in &survey.arms {
        let entered = arm
            .zones
            .iter()
            .filter(|zone| zone.clearance_mm < 0.0)
            .map(|zone| zone.zone.clone());
        let entered: Vec<String> = entered.collect();
        if !entered.is_empty() {
            text += &listed(
                &format!("Arm {:?} can reach into (only the core keeps it out):", arm.arm),
                &entered,
            );
        }
    }
    if survey.too_weak.is_empty() {
        text + "Verdict: good, the supply pressure holds every pose of the grid\n"
    } else {
        text + &listed(
            "Verdict: failed, holding takes more than the supply pressure (!):",
            &survey.too_weak,
        )
    }
}

fn span([low, high]: [f64; 2]) -> String {
    format!("{} .. {}", decimals(low, 0), decimals(high, 0))
}

fn both(way: EachWay) -> String {
    format!("{} / {}", decimals(way.extend, 0), decimals(way.retract, 0))
}

fn angles(degrees: &[f64]) -> String {
    degrees
        .iter()
        .map(|deg| decimals(*deg, 0))
        .collect::<Vec<_>>()
        .join(", ")
}
