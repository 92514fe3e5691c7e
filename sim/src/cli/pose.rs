//! `bellcrank pose`: one arm in one pose, or in many from a CSV file.

use miette::IntoDiagnostic;

use super::{Console, MachineArg, Verdict, decimals, table};
use crate::pose::{self, ActuatorPose, ArmModel, Ask, Asked, AxisPose, PoseReport, PoseRow};

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Turn joint angles, strokes or a tip position into the other two, and into torques, forces and pressures

Lists have one number for each axis of the arm, from base to tip, without blanks: --angles-deg 0,-30,60,10. \
Torques are what the actuators must give for the rates and accelerations that are asked (rest, if none are); \
pressures are what one chamber needs for it while the other stands at tank pressure. Friction is left out.

CSV: the first line names the columns. For an axis called boom, joint 1 of its arm counted from 0:
  boom_deg, boom_rad, q1_deg, q1_rad                      joint angle
  boom_stroke_mm, s1_mm (a motor's: _stroke_deg, s1_deg)  stroke
  tip_x_mm, tip_y_mm, tip_z_mm                            tip position
  boom_deg_s, boom_rad_s, qd1_deg_s, qd1_rad_s            joint rate; zero if left out
  boom_deg_s2, boom_rad_s2, qdd1_deg_s2, qdd1_rad_s2      joint acceleration; zero if left out
Blanks in a name are written _. Give all the angles, or all the strokes, or the tip. The answers go to pose.csv in the \
output folder, and with --json to standard output too.";

const USAGE: &str = "\
bellcrank pose [OPTIONS] <MACHINE>
           <--angles-deg|--angles-rad|--strokes-mm|--tip-mm> <A,B,..> | --csv <FILE>";

/// `bellcrank pose MACHINE`
#[derive(Debug, clap::Args)]
#[command(override_usage = USAGE)]
#[command(group = clap::ArgGroup::new("pose").required(true).args(["angles_deg", "angles_rad", "strokes_mm", "tip_mm", "csv"]))]
pub struct Args {
    #[command(flatten)]
    machine: MachineArg,
    /// The arm; may be left out where the machine has only one
    #[arg(long, value_name = "NAME")]
    arm: Option<String>,
    /// Joint angles, degrees
    #[arg(long, value_name = "A,B,..", value_delimiter = ',', allow_hyphen_values = true)]
    angles_deg: Option<Vec<f64>>,
    /// Joint angles, rad
    #[arg(long, value_name = "A,B,..", value_delimiter = ',', allow_hyphen_values = true)]
    angles_rad: Option<Vec<f64>>,
    /// Strokes from fully retracted, mm; for a motor the angle from its zero, degrees
    #[arg(long, value_name = "A,B,..", value_delimiter = ',', allow_hyphen_values = true)]
    strokes_mm: Option<Vec<f64>>,
    /// Tip position in the machine frame (x forward, y left, z up), mm; which way the tip points is left free
    #[arg(long, value_name = "X,Y,Z", value_delimiter = ',', allow_hyphen_values = true)]
    tip_mm: Option<Vec<f64>>,
    /// Poses from a CSV file
    #[arg(long, value_name = "FILE", conflicts_with_all = ["rates", "accels"])]
    csv: Option<String>,
    /// Joint rates, degrees/s
    #[arg(
        long,
        value_name = "A,B,..",
        value_delimiter = ',',
        allow_hyphen_values = true,
        group = "rates"
    )]
    rates_deg_s: Option<Vec<f64>>,
    /// Joint rates, rad/s
    #[arg(
        long,
        value_name = "A,B,..",
        value_delimiter = ',',
        allow_hyphen_values = true,
        group = "rates"
    )]
    rates_rad_s: Option<Vec<f64>>,
    /// Joint accelerations, degrees/s²
    #[arg(
        long,
        value_name = "A,B,..",
        value_delimiter = ',',
        allow_hyphen_values = true,
        group = "accels"
    )]
    accels_deg_s2: Option<Vec<f64>>,
    /// Joint accelerations, rad/s²
    #[arg(
        long,
        value_name = "A,B,..",
        value_delimiter = ',',
        allow_hyphen_values = true,
        group = "accels"
    )]
    accels_rad_s2: Option<Vec<f64>>,
    /// Mass hung from the tip, kg
    #[arg(long, value_name = "KG", default_value_t = 0.0, allow_hyphen_values = true)]
    payload_kg: f64,
}

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        let machine = self.machine.load()?;
        let core = bellcrank_machine::build(&machine).into_diagnostic()?;
        let model = ArmModel::new(&machine, &core, self.arm.as_deref(), self.payload_kg)?;
        if let Some(path) = &self.csv {
            let report = pose::read(&model, path)?;
            let file = console.open_out()?.write("pose.csv", &pose::write(&report))?;
            console.show(&report, |report| {
                format!("{}\nAll answers: {}\n", summary(report), file.display())
            })?;
        } else {
            let row = model.pose(&self.asked(&model))?;
            console.show(&model.report(vec![row]), text)?;
        }
        console.caution();
        Ok(Verdict::Good)
    }

    fn asked(&self, model: &ArmModel) -> Asked {
        let radians = |list: &Vec<f64>| -> Vec<f64> { list.iter().map(|deg| deg.to_radians()).collect() };
        let either = |deg: &Option<Vec<f64>>, rad: &Option<Vec<f64>>| deg.as_ref().map(radians).or_else(|| rad.clone());
        let rest = || vec![0.0; model.joints()];
        let pose = if let Some(strokes) = &self.strokes_mm {
            Ask::Strokes(strokes.clone())
        } else if let Some(tip) = &self.tip_mm {
            Ask::Tip(tip.iter().map(|mm| mm * 1e-3).collect())
        } else {
            Ask::Angles(either(&self.angles_deg, &self.angles_rad).unwrap_or_default())
        };
        Asked {
            pose,
            rates: either(&self.rates_deg_s, &self.rates_rad_s).unwrap_or_else(rest),
            accelerations: either(&self.accels_deg_s2, &self.accels_rad_s2).unwrap_or_else(rest),
        }
    }
}

/// One pose for people.
fn text(report: &PoseReport) -> String {
    report.poses.iter().map(|pose| pose_text(report, pose)).collect()
}

fn pose_text(report: &PoseReport, pose: &PoseRow) -> String {
    let heading = [
        "axis",
        "angle",
        "stroke",
        "moment arm",
        "torque",
        "force",
        "bar A",
        "bar B",
    ];
    let units = ["", "deg", "mm", "mm", "kN m", "kN", "", ""]
        .map(str::to_owned)
        .to_vec();
    let rows = pose.axes.iter().map(|axis| axis_row(report, axis));
    let list = |numbers: &[f64], digits| {
        numbers
            .iter()
            .map(|x| decimals(*x, digits))
            .collect::<Vec<_>>()
            .join("  ")
    };
    let matrix = |rows: &[Vec<f64>], digits| -> String {
        let width = rows
            .iter()
            .flatten()
            .map(|x| decimals(*x, digits).len())
            .max()
            .unwrap_or(0)
            + 2;
        let cell = |x: &f64| format!("{:>width$}", decimals(*x, digits));
        let line = |row: &Vec<f64>| row.iter().map(cell).collect::<Vec<_>>().concat();
        rows.iter().map(|row| line(row) + "\n").collect()
    };
    let rotation: Vec<Vec<f64>> = pose.tip_rotation.iter().map(|row| row.to_vec()).collect();
    let payload = if report.payload_kg > 0.0 {
        format!(", {} kg at the tip", report.payload_kg)
    } else {
        String::new()
    };
    let over = pose.axes.iter().any(|axis| over_supply(report, axis));
    let note = if over {
        format!("! more than the supply's {} bar\n", decimals(report.supply_bar, 0))
    } else {
        String::new()
    };
    format!(
        "{}, arm {:?}{payload}\n\n{}{note}\n\
         tip         {} mm\n\
         by the core {} mm, {} mm apart\n\n\
         rotation of the tip's frame (columns are its axes)\n{}\n\
         Jacobian (m/s of the tip, then rad/s of its frame, for 1 rad/s of each axis)\n{}",
        report.machine,
        report.arm,
        table(heading, std::iter::once(units).chain(rows)),
        list(&pose.tip_mm, 2),
        list(&pose.core_tip_mm, 2),
        decimals(pose.core_apart_mm, 4),
        matrix(&rotation, 4),
        matrix(&pose.jacobian_m_rad, 4),
    )
}

fn axis_row(report: &PoseReport, axis: &AxisPose) -> Vec<String> {
    let [stroke, arm, force] = match axis.actuator {
        ActuatorPose::Cylinder {
            stroke_mm,
            moment_arm_mm,
            force_n,
            ..
        } => [
            decimals(stroke_mm, 1),
            decimals(moment_arm_mm, 1),
            decimals(force_n / 1e3, 2),
        ],
        ActuatorPose::Motor { stroke_deg, .. } => [
            format!("{} deg", decimals(stroke_deg, 1)),
            "motor".to_owned(),
            "-".to_owned(),
        ],
    };
    let mark = if over_supply(report, axis) { " !" } else { "" };
    vec![
        axis.axis.clone(),
        decimals(axis.angle_deg, 2),
        stroke,
        arm,
        decimals(axis.torque_nm / 1e3, 3),
        force,
        decimals(axis.pressure_a_bar, 1),
        decimals(axis.pressure_b_bar, 1) + mark,
    ]
}

fn over_supply(report: &PoseReport, axis: &AxisPose) -> bool {
    axis.pressure_a_bar.max(axis.pressure_b_bar) > report.supply_bar
}

/// Many poses for people: the worst of each axis.
fn summary(report: &PoseReport) -> String {
    let heading = [
        "axis",
        "least deg",
        "greatest deg",
        "torque kN m, most",
        "bar A, most",
        "bar B, most",
    ];
    let rows = (0..report.axes.len()).map(|k| {
        let most = |value: &dyn Fn(&AxisPose) -> f64| {
            report
                .poses
                .iter()
                .map(|pose| value(&pose.axes[k]))
                .fold(f64::NEG_INFINITY, f64::max)
        };
        vec![
            report.axes[k].clone(),
            decimals(-most(&|axis| -axis.angle_deg), 2),
            decimals(most(&|axis| axis.angle_deg), 2),
            decimals(most(&|axis| axis.torque_nm.abs()) / 1e3, 3),
            decimals(most(&|axis| axis.pressure_a_bar), 1),
            decimals(most(&|axis| axis.pressure_b_bar), 1),
        ]
    });
    let apart = report.poses.iter().map(|pose| pose.core_apart_mm).fold(0.0, f64::max);
    format!(
        "{}, arm {:?}: {} poses\n\n{}\nThe core's tip is at most {} mm away.\n",
        report.machine,
        report.arm,
        report.poses.len(),
        table(heading, rows),
        decimals(apart, 4)
    )
}
