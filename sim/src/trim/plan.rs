//! What a test will do, told before anything moves.

use bellcrank_machine::Description;
use bellcrank_machine::description::Axis;

use super::log::stroke_unit;
use crate::drawing::plain;

/// How a test is limited.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// No tread is meant to go faster than this share of the rate that the machine file has for full command.
    pub speed: f64,
    /// The axis stays within this share of its stroke, half of it to each side of where it starts.
    pub travel: f64,
}

impl Limits {
    /// How far the axis may get to each side, what it may overrun included, share of its stroke.
    pub fn reach(&self) -> f64 {
        0.5 * self.travel + TOO_FAR
    }
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            speed: 0.4,
            travel: 0.35,
        }
    }
}

/// How fast the ramp rises, share of full command a second.
pub const RAMP_PER_S: f64 = 0.025;
/// The ramp has shown enough when the axis has gone this share of its stroke, or goes this share of its full rate.
pub const RAMP_TRAVEL: f64 = 0.03;
/// See there.
pub const RAMP_SPEED: f64 = 0.06;
/// A valve that has not moved its axis at this command is called stuck.
pub const STUCK_AT: f64 = 0.6;
/// Treads of the staircase, above the command at which motion starts.
pub const TREADS: [f64; 14] = [
    0.01, 0.02, 0.03, 0.045, 0.06, 0.08, 0.105, 0.135, 0.17, 0.22, 0.29, 0.38, 0.5, 0.65,
];
/// Treads up to here are gone up to, passed and come back to: that shows the hysteresis.
pub const THERE_AND_BACK: f64 = 0.14;
/// By how much they are passed.
pub const PASS_BY: f64 = 0.06;
/// How long a tread is stood on at the bottom and higher up, and at rest between, s.
pub const STAND_S: (f64, f64) = (1.5, 0.9);
/// See there.
pub const REST_S: f64 = 0.8;
/// An axis is stopped that goes so many times as fast as it is meant to at most.
pub const TOO_FAST: f64 = 2.5;
/// An axis is stopped that leaves its travel by this share of its stroke.
pub const TOO_FAR: f64 = 0.1;

/// The plan of a test of these axes, each from its pose (joint angles, rad), in lines of at most `width` characters.
pub fn text(machine: &Description, axes: &[(usize, &[f64])], limits: &Limits, width: usize) -> String {
    let number = |share: f64| plain(100.0 * share);
    let percent = |share: f64| number(share) + " %";
    let item = |mark: &str, text: &str| {
        let indent = " ".repeat(mark.len());
        let options = textwrap::Options::new(width)
            .initial_indent(mark)
            .subsequent_indent(&indent);
        textwrap::fill(text, options) + "\n"
    };
    let mut text = format!("Plan: trim the valves of {}\n\nBEFORE ANYTHING MOVES\n", machine.name);
    for caution in CAUTIONS {
        text += &item("- ", caution);
    }
    text += "\nFor each axis, extending and retracting in turn:\n";
    text += &item("1. ", "Rest, 1 s: noise and step of the sensor.");
    text += &item(
        "2. ",
        &format!(
            "Ramp, {} of full command a second, until it goes {} of full rate or has gone {} of its stroke; and back as slowly.",
            percent(RAMP_PER_S),
            percent(RAMP_SPEED),
            percent(RAMP_TRAVEL)
        ),
    );
    text += &item(
        "3. ",
        &format!(
            "Staircase from where it moved: {} percent above. Stood on for {} to {} s, with rest between; the lower ones are passed by {} \
             and come back to. It ends at {} of the rate that the file has for full command.",
            TREADS.map(number).join(", "),
            STAND_S.1,
            STAND_S.0,
            percent(PASS_BY),
            percent(limits.speed)
        ),
    );
    text += "\n";
    text += &item(
        "",
        &format!(
            "Given up at once: {TOO_FAST} times that rate; {} of the stroke beyond its travel; no motion at {} of full command; motion the \
             wrong way; a reading outside the sensor's band, or one that hummed and is frozen; any stop.",
            percent(TOO_FAR),
            percent(STUCK_AT)
        ),
    );
    for (axis, start) in axes {
        text += "\n";
        text += &item("", &axis_text(&machine.axes[*axis], limits));
        let pose = machine.axes.iter().zip(*start);
        let pose = pose.map(|(axis, angle)| format!("{} {:.1}", axis.name, angle.to_degrees()));
        text += &item(
            "  ",
            &format!("from the pose, deg: {}", pose.collect::<Vec<_>>().join(", ")),
        );
    }
    text
}

/// What has to be so before a valve is led open loop.
const CAUTIONS: [&str; 6] = [
    "Nobody in reach of any part, the person at the stop button included; somebody at that button.",
    "Arms empty, no load. Oil at working temperature. Nothing under a raised arm.",
    "The arms stand as told below, and each axis may move its whole travel there without touching.",
    "Low pressure or low flow first, if the machine has a way to set it; one axis at a time.",
    "Oil under pressure goes through skin and stays under pressure with the engine off.",
    "The valve is led open loop: nothing brings the axis back but the test itself.",
];

fn axis_text(axis: &Axis, limits: &Limits) -> String {
    let (unit, scale) = stroke_unit(axis);
    let full = axis.drive.full_rate.0.max(axis.drive.full_rate.1);
    let note = if axis.holding.is_some() {
        ""
    } else {
        "; it has no load-holding valve"
    };
    format!(
        "{}: travel {:.0} {unit}, at most {:.0} {unit}/s, about 2 min{note}",
        axis.name,
        limits.travel * axis.actuator.travel * scale,
        limits.speed * full * scale,
    )
}
