//! `[[arm]]`: which axes make an arm, and how its tip is moved.

use bellcrank_core::machine::{JOINTS_MAX, LEVERS_MAX, TIP_LEVERS_MAX};

use super::{MM, TIP_MM_S, Table};
use crate::description::{Arm, Axis};

/// What the arms so far have taken.
#[derive(Debug, Default)]
pub(super) struct Taken {
    /// As (axis, arm).
    axes: Vec<(usize, String)>,
    /// The slewing base that each arm so far is on, if it is on one.
    bases: Vec<Option<usize>>,
}

pub(super) fn arm(t: &Table, axes: &[Axis], taken: &mut Taken) -> Arm {
    let name = t.text("name");
    let mut claim = |key: &'static str, axis: &str| {
        let index = axes.iter().position(|a| a.name == axis);
        match index {
            None => {
                let known: Vec<String> = axes.iter().map(|a| format!("{:?}", a.name)).collect();
                t.complain(key, format!("no axis {axis:?}"), format!("one of {}", known.join(", ")));
            }
            Some(index) => {
                if taken.bases.contains(&Some(index)) {
                    t.complain(key, format!("{axis:?}, the slewing base"), "an axis that no base is on");
                } else if let Some((_, other)) = taken.axes.iter().find(|(axis, _)| *axis == index) {
                    t.complain(
                        key,
                        format!("{axis:?}, which arm {other:?} has already"),
                        "each axis in one place of one arm",
                    );
                }
                taken.axes.push((index, name.clone()));
            }
        }
        index
    };

    let names = t.texts("axes");
    let indices: Vec<usize> = names.iter().filter_map(|axis| claim("axes", axis)).collect();
    let grip = t.optional("grip").and_then(|key| claim(key, &t.text(key)));
    if t.clean() && !(1..=JOINTS_MAX).contains(&names.len()) {
        t.complain("axes", format!("{} axes", names.len()), format!("1 to {JOINTS_MAX}"));
    }

    let on = t.optional("on").and_then(|key| base(t, key, axes, taken));
    taken.bases.push(on);
    if taken.bases[0] != on {
        let wanted = "all arms on the same slewing base, or none of them";
        t.complain("on", "another base than that of the arm before", wanted);
    }

    let pitch = t.text("pitch_joint");
    let pitch_joint = names.iter().position(|axis| *axis == pitch);
    if pitch_joint.is_none() && !pitch.is_empty() {
        t.complain(
            "pitch_joint",
            format!("{pitch:?}"),
            format!("one of this arm's axes: {}", names.join(", ")),
        );
    }

    Arm {
        base: t.vector3("base_mm", MM),
        on,
        axes: indices,
        grip,
        pitch_joint: pitch_joint.unwrap_or(0),
        tip_speed: t.number("tip_mm_s", TIP_MM_S),
        pitch_rate: t.number("pitch_deg_s", 0.1..=360.0),
        tip_ramp: t.number("tip_ramp_ms", 1.0..=10_000.0),
        payload: t.number("payload_kg", 0.0..=100_000.0),
        levers: levers(t, names.len(), pitch_joint.unwrap_or(0)),
        name,
    }
}

/// The levers that move the tip of an arm of so many joints.
fn levers(t: &Table, joints: usize, pitch_joint: usize) -> Vec<usize> {
    let levers = t.wholes("levers", 0..=LEVERS_MAX - 1);
    if !t.clean() {
        return levers;
    }
    let count = levers.len();
    let found = format!("{count} of them");
    if !(4..=TIP_LEVERS_MAX).contains(&count) {
        let wanted = "four to six levers, for forward, left, up and pitch, and then roll and yaw";
        t.complain("levers", found, wanted);
    } else if count == TIP_LEVERS_MAX && joints < TIP_LEVERS_MAX {
        let wanted = "six levers for an arm of six joints or more alone";
        t.complain("levers", found, wanted);
    } else if count == 5 && joints <= pitch_joint + 1 {
        let wanted = "four levers: no joint beyond pitch_joint could roll the tip";
        t.complain("levers", found, wanted);
    } else if (1..count).any(|i| levers[..i].contains(&levers[i])) {
        t.complain("levers", format!("{levers:?}"), "levers that all differ");
    }
    levers
}

/// The axis of the slewing base that carries an arm.
fn base(t: &Table, key: &'static str, axes: &[Axis], taken: &Taken) -> Option<usize> {
    let name = t.text(key);
    let index = axes.iter().position(|axis| axis.name == name);
    let arm = index.and_then(|index| taken.axes.iter().find(|(axis, _)| *axis == index));
    if let Some((_, arm)) = arm {
        t.complain(
            key,
            format!("{name:?}, an axis of arm {arm:?}"),
            "an axis that is in no arm",
        );
    } else if index.is_none() && !name.is_empty() {
        t.complain(key, format!("no axis {name:?}"), "the axis of a slewing base");
    }
    index
}
