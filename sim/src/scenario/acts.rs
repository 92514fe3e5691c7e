//! `[[hand]]` rows of scenario files: what the hands can do, and no faster than the levers go.

use std::f64::consts::TAU;
use std::ops::RangeInclusive;

use bellcrank_core::inputs::{Frame, Mode, Station};
use bellcrank_core::machine::LEVERS_MAX;
use bellcrank_machine::document::Table;
use nalgebra::Vector3;

use super::file::Who;
use super::{Act, Hand, Target};

/// As far as anything goes on such a machine.
const WAY_MM: RangeInclusive<f64> = -20_000.0..=20_000.0;

pub(super) const FRAMES: [(&str, Frame); 3] = [
    ("machine", Frame::Machine),
    ("seat", Frame::Seat),
    ("tool", Frame::Tool),
];

pub(super) const MODES: [(&str, Mode); 3] = [("joint", Mode::Joint), ("tip", Mode::Tip), ("carry", Mode::Carry)];

impl Who<'_> {
    /// `[[hand]]`: a time and one act.
    pub(super) fn hand(&self, t: &Table, length: f64) -> Hand {
        Hand {
            at: t.number("at_s", 0.0..=length),
            act: self.act(t),
        }
    }

    pub(super) fn act(&self, t: &Table) -> Act {
        let acts = [
            t.optional("enable").map(|key| Act::Enable(t.flag(key))),
            t.optional("reset").map(|key| Act::Reset(t.flag(key))),
            t.optional("frame")
                .map(|key| Act::Frame(t.choice(key, &FRAMES).unwrap_or_default())),
            t.optional("slow").map(|key| Act::Slow(t.flag(key))),
            t.optional("tip").map(|key| t.table(key, |t| self.tip(t))),
            t.optional("go_to").map(|key| t.table(key, |t| self.go_to(t))),
            t.optional("circle").map(|key| t.table(key, |t| self.circle(t))),
            t.optional("lever").map(|key| t.table(key, |t| self.lever(t))),
            t.optional("levers").map(|key| levers(t, key)),
            t.optional("mode")
                .map(|key| Act::Mode(t.choice(key, &MODES).unwrap_or_default())),
            t.optional("neutral").map(|key| {
                if !t.flag(key) {
                    t.complain(key, "false", "true: levers are moved by `tip` and `lever`");
                }
                Act::Neutral
            }),
        ];
        let given: Vec<Act> = acts.into_iter().flatten().collect();
        if given.len() != 1 && t.clean() {
            t.complain(
                "at_s",
                format!("{} acts", given.len()),
                "one of enable, reset, tip, go_to, circle, lever, levers, mode, frame, slow, neutral",
            );
        }
        given.first().copied().unwrap_or(Act::Neutral)
    }

    fn tip(&self, t: &Table) -> Act {
        let arm = self.leading_arm(t);
        let velocity: Vector3<f64> = t.vector3("velocity_mm_s", -5000.0..=5000.0);
        let turns = ["pitch_deg_s", "roll_deg_s", "yaw_deg_s"];
        let turning = turns.map(|key| t.optional(key).map_or(0.0, |key| t.number(key, -360.0..=360.0)));
        if t.clean()
            && let Some(known) = self.machine.arms.get(arm)
        {
            let cap = self.speed_cap();
            let fastest = known.tip_speed * cap;
            if velocity.iter().any(|v| v.abs() > fastest * (1.0 + 1e-9)) {
                let found = format!("{:.0} mm/s", 1e3 * velocity.amax());
                t.complain(
                    "velocity_mm_s",
                    found,
                    format!("at most {:.0} mm/s: full lever from this station", 1e3 * fastest),
                );
            }
            for (row, (key, rate)) in turns.into_iter().zip(turning).enumerate() {
                let fastest = known.pitch_rate * cap;
                if rate != 0.0 && row + 3 >= known.levers.len() {
                    let found = format!("{:.1} deg/s", rate.to_degrees());
                    t.complain(key, found, format!("no {key}: this arm has no lever for it"));
                } else if rate.abs() > fastest * (1.0 + 1e-9) {
                    let wanted = format!("at most {:.1} deg/s: full lever", fastest.to_degrees());
                    t.complain(key, format!("{:.1} deg/s", rate.to_degrees()), wanted);
                }
            }
        }
        Act::Tip {
            arm,
            velocity: velocity.into(),
            turning,
        }
    }

    /// The arm whose levers are moved: in carry mode those of the first arm move them all.
    fn leading_arm(&self, t: &Table) -> usize {
        let arm = self.arm(t, "arm");
        if t.clean() && self.mode == Mode::Carry && arm != 0 {
            let first = self.machine.arms.first().map_or("", |arm| &arm.name);
            t.wrong("arm", format!("{first:?}: in carry mode its levers move all arms"));
        }
        arm
    }

    /// `go_to`: an arm, how fast, and where to or by how much, in which frame.
    fn go_to(&self, t: &Table) -> Act {
        let arm = self.arm(t, "arm");
        let by = t.optional("by_mm").map(|key| Target::By(t.vector3(key, WAY_MM).into()));
        let at = t.optional("at_mm").map(|key| Target::At(t.vector3(key, WAY_MM).into()));
        if by.is_some() == at.is_some() {
            let found = if by.is_some() {
                "both by_mm and at_mm"
            } else {
                "neither by_mm nor at_mm"
            };
            t.complain("arm", found, "one of the two: by how much, or to where");
        }
        if t.clean() && self.mode != Mode::Tip {
            t.complain("arm", "a go_to outside tip mode", "mode = \"tip\"");
        }
        Act::GoTo {
            arm,
            to: by.or(at).unwrap_or(Target::By([0.0; 3])),
            frame: t
                .optional("frame")
                .map_or(Frame::Machine, |key| t.choice(key, &FRAMES).unwrap_or_default()),
            speed: t.number("speed_mm_s", 1.0..=5000.0),
        }
    }

    fn circle(&self, t: &Table) -> Act {
        let arm = self.leading_arm(t);
        let fastest = self.machine.arms.get(arm).map_or(5.0, |arm| arm.tip_speed) * self.speed_cap();
        let radius = t.number("radius_mm", 10.0..=5000.0);
        // A hand needs a second to get it under way and a second to end it: faster than once round in a second it cannot.
        let fastest = fastest.min(TAU * radius) * (1.0 + 1e-9);
        Act::Circle {
            arm,
            radius,
            speed: t.number("speed_mm_s", 1.0..=1e3 * fastest),
        }
    }

    fn lever(&self, t: &Table) -> Act {
        let axis = self.axis(t, "axis");
        if t.clean() && self.machine.axes.get(axis).is_some_and(|axis| axis.lever.is_none()) {
            t.complain(
                "axis",
                "an axis without a lever",
                "an axis with a lever in the machine file",
            );
        }
        Act::Lever {
            axis,
            share: t.number("share", -1.0..=1.0),
        }
    }

    fn speed_cap(&self) -> f64 {
        match (&self.machine.stations.remote, self.station) {
            (Some(remote), Station::Remote) => remote.speed_cap,
            _ => self.machine.stations.seat.speed_cap,
        }
    }
}

/// The deflections of all levers in the order of their numbers. Those that are not told are at neutral.
fn levers(t: &Table, key: &'static str) -> Act {
    let told = t.numbers(key, -1.0..=1.0);
    let mut levers = [0.0; LEVERS_MAX];
    if told.len() > LEVERS_MAX {
        t.complain(
            key,
            format!("{} deflections", told.len()),
            format!("at most {LEVERS_MAX}: one for each lever of a station"),
        );
    }
    for (lever, share) in levers.iter_mut().zip(told) {
        *lever = share;
    }
    Act::Levers(levers)
}
