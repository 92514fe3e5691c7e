//! `bellcrank survey`: what a machine's geometry, hydraulics and sensing allow.

use miette::{IntoDiagnostic, miette};
use schemars::JsonSchema;
use serde::Serialize;

use super::{Console, MachineArg, Verdict, decimals, file_stem, listed, table};
use crate::survey::{
    self, ActuatorSurvey, ArmSurvey, AxisSurvey, EachWay, Holding, LiftCell, LiftLimit, Natural, Survey, lift,
};

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Tell what a machine's geometry, hydraulics and sensing allow

Strokes and moment arms over each joint's range; forces and speeds; what one step of the sensor's converter is at the \
tip; the pressure that holds the arm in the worst pose of a coarse grid; the natural frequency of the oil at mid \
stroke and where it is least; axes that carry weight without a load-holding valve; reach, and how near the links can \
come to the zones; a lift chart for each arm, the load that its tip can hold over reach and height, limited by \
pressure or, where the machine file has a [carrier], by tipping. Exit code 1 if the supply pressure cannot hold the \
machine, or the payload, somewhere on the grid.

Writes a picture of each lift chart to MACHINE-ARM-lift.svg in the output folder. A lift chart from here is a \
calculation and no rating: that takes tests by competent people, under the local rules.";

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

/// What `survey --json` prints.
#[derive(Debug, Serialize, JsonSchema)]
pub struct SurveyReport {
    /// What was found.
    #[serde(flatten)]
    pub survey: Survey,
    /// The pictures of lift charts that were written.
    pub lift_picture_files: Vec<String>,
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
        let out = console.open_out()?;
        let survey = survey::survey(&machine, self.payload_kg).into_diagnostic()?;
        let mut lift_picture_files = Vec::new();
        for (index, arm) in machine.arms.iter().enumerate() {
            if let Some(picture) = lift::picture(&machine, &survey, index) {
                let name = file_stem(&format!("{}-{}-lift", machine.name, arm.name));
                let path = out.write(&format!("{name}.svg"), picture.as_bytes())?;
                lift_picture_files.push(path.display().to_string());
            }
        }
        let report = SurveyReport {
            survey,
            lift_picture_files,
        };
        console.show(&report, |report| {
            let lead = |file: &String| format!("Lift chart: {file}\n");
            let pictures: Vec<String> = report.lift_picture_files.iter().map(lead).collect();
            text(&report.survey) + &pictures.concat()
        })?;
        console.caution();
        Ok(report.survey.too_weak.is_empty().into())
    }
}

/// A survey for people, at most 100 columns wide.
pub fn text(survey: &Survey) -> String {
    let arm_text = |arm: &ArmSurvey| reach_text(arm) + &lift_text(survey, arm);
    let arms: String = survey.arms.iter().map(arm_text).collect();
    format!(
        "{} ({} bar, {} l/min)\n\n{}{COUNTS}\n{}{WAYS}\n{}{LOADS}\n{arms}{}",
        survey.machine,
        decimals(survey.supply_bar, 0),
        decimals(survey.pump_lpm, 0),
        geometry(survey),
        forces(survey),
        loads(survey),
        verdict(survey)
    )
}

const COUNTS: &str = "count: one step of the sensor's converter, in stroke and joint; tip: what it is there at worst\n";
const WAYS: &str = "\
out / in, at supply pressure. pump: its whole flow; valve: its rated flow; deg/s: joint, both at
least moment arm
";
const LOADS: &str = "\
hold: in the worst pose of the grid; Hz: mass on the oil at mid stroke and the least (at so many
percent of the stroke), in the slowest pose; load-holding: gravity loads it, no valve there holds it
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

fn forces(survey: &Survey) -> String {
    let heading = ["axis", "push kN", "pull kN", "pump mm/s", "valve mm/s", "deg/s"];
    table(
        heading,
        survey.axes.iter().map(|axis| {
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
            row.push(both(slower(axis)));
            row
        }),
    )
}

fn loads(survey: &Survey) -> String {
    let loaded = survey.payload_kg > 0.0;
    let kg = format!("+{} kg", survey.payload_kg);
    let mut heading = vec!["axis", "hold bar", "Hz mid", "least"];
    if loaded {
        heading.insert(2, &kg);
        heading.extend([kg.as_str(), "least"]);
    }
    heading.push("load-holding");
    table(
        heading,
        survey.axes.iter().map(|axis| {
            let bar =
                |holding: &Option<Holding>| holding.as_ref().map_or("-".to_owned(), |hold| hold_text(survey, hold));
            let mut row = vec![axis.axis.clone(), bar(&axis.holding)];
            if loaded {
                row.push(bar(&axis.holding_payload));
            }
            row.extend(natural_text(axis.natural.as_ref()));
            if loaded {
                row.extend(natural_text(axis.natural_payload.as_ref()));
            }
            row.push(if axis.lacks_load_holding_valve { "missing" } else { "-" }.to_owned());
            row
        }),
    )
}

/// At mid stroke, and the least.
fn natural_text(natural: Option<&Natural>) -> [String; 2] {
    natural.map_or(["-".to_owned(), "-".to_owned()], |natural| {
        let (hz, percent) = (decimals(natural.least_hz, 1), decimals(natural.least_at_percent, 0));
        [decimals(natural.mid_hz, 1), format!("{hz} at {percent}")]
    })
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

fn reach_text(arm: &ArmSurvey) -> String {
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

fn lift_text(survey: &Survey, arm: &ArmSurvey) -> String {
    let Some(chart) = &arm.lift else {
        return format!(
            "Arm {:?} has no lift chart: one joint alone moves its tip in reach and height\n\n",
            arm.arm
        );
    };
    let metres = |mm: &f64| decimals(mm / 1e3, 2);
    let mut heading = vec!["m".to_owned()];
    heading.extend(chart.reach_mm.iter().map(metres));
    let rows = chart.height_mm.iter().zip(&chart.cells).map(|(height, cells)| {
        let mut row = vec![metres(height)];
        row.extend(
            cells
                .iter()
                .map(|cell| cell.as_ref().map_or("- ".to_owned(), cell_text)),
        );
        row
    });
    let chart = table(heading.iter().map(String::as_str), rows);
    let [pressure, tipping] = [lift::PRESSURE_SHARE, lift::TIPPING_SHARE].map(|share| decimals(100.0 * share, 0));
    let told = if survey.tipping_known {
        format!(
            "Calculated, no rating: the lesser of {pressure} % of what the pressure holds and (t) {tipping} % of what tips the\n\
             machine, in the best pose for each place and the worst direction of the slew\n"
        )
    } else {
        format!(
            "Calculated, no rating: {pressure} % of what the pressure holds, in the best pose for each place. Limited by\n\
             pressure alone: the machine file has no [carrier], so nobody knows when the machine tips\n"
        )
    };
    let lead = format!(
        "Arm {:?}, lift chart: kg at the tip over reach from its first joint's axis (across) and height",
        arm.arm
    );
    format!("{lead}\n{chart}{told}\n")
}

fn cell_text(cell: &LiftCell) -> String {
    let mark = match cell.limited_by {
        LiftLimit::Tipping => "t",
        LiftLimit::Pressure => " ",
    };
    // Rounding up would promise more than was found.
    decimals(cell.rated_kg.floor(), 0) + mark
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
    text += &format!(
        "Whoever walks up must be {} mm beyond the arms' reach when a stop is asked for\n\
         (S = K T + C of ISO 13855, by the machine file's times: measure how long a stop takes)\n",
        decimals(survey.separation_mm, 0)
    );
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
