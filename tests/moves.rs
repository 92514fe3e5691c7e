//! The moves by which tracking is measured: a tip is led a metre in a straight line, at three speeds, and round a circle. Tests hold what
//! is reached, a bench prints it.

use std::f64::consts::TAU;
use std::path::Path;

use bellcrank_sim::findings::judge;
use bellcrank_sim::run::rehearse;
use bellcrank_sim::scenario::{self, Scenario};
use bellcrank_sim::tracking::Tracking;

/// The machines that are measured.
pub const MACHINES: [&str; 3] = ["yard digger", "servo digger", "drystone setter"];

/// Length of a straight move, and diameter of the circle, mm.
const STRAIGHT: f64 = 1000.0;
const CIRCLE: f64 = 500.0;
/// The hand moves at this time, s; the tip has this long to come to rest.
const START: f64 = 1.5;
const REST: f64 = 2.5;
/// A hand takes a second to get a circle under way, and as long to end it.
const SMOOTH: f64 = 1.0;

/// A move of a machine's tip.
#[derive(Debug, Clone)]
pub struct Move {
    /// What it is: the way, and the speed that is asked for.
    pub name: String,
    scenario: Scenario,
}

/// The moves of one of [`MACHINES`], the arm loaded: straight up, slanting to the left, round an upright circle.
///
/// # Panics
/// If there is no such machine.
pub fn moves(machine: &str) -> Vec<Move> {
    let setter = machine.ends_with("setter");
    let (arm, start, load) = if setter {
        (
            "left",
            "[[start]]\narm = \"left\"\nangles_deg = [-10, -15, 85, 0, 0]\ngrip_deg = 30\n\
             [[start]]\narm = \"right\"\nangles_deg = [-30, -40, 100, 20, 0]\ngrip_deg = 30\n",
            60,
        )
    } else {
        (
            "digger",
            "[[start]]\narm = \"digger\"\nangles_deg = [0, -20, 80, 30]\n",
            120,
        )
    };
    let make = |name: String, length: f64, hands: String| {
        let text = format!(
            "name = \"{name}\"\nabout = \"a tip is led\"\nmachine = \"{machine}\"\nlength_s = {length}\nstation = \"seat\"\nmode = \"tip\"\n\
             {start}[[payload]]\narm = \"{arm}\"\nmass_kg = {load}\n[[hand]]\nat_s = 0.4\nenable = true\n{hands}"
        );
        Move {
            scenario: scenario::parse(&name, &text, Path::new("")).unwrap_or_else(|e| panic!("{name}: {e:?}")),
            name,
        }
    };
    let mut moves = Vec::new();
    for (way, [left, up]) in [("straight up", [0.0, 1.0]), ("slanting", [0.8, 0.6])] {
        for speed in [100.0, 250.0, 500.0] {
            // Its lift has not the flow for that.
            if setter && way == "straight up" && speed == 500.0 {
                continue;
            }
            let end = START + STRAIGHT / speed;
            let velocity = format!("[0, {:.1}, {:.1}]", left * speed, up * speed);
            moves.push(make(
                format!("{way}, {speed} mm/s"),
                end + REST,
                format!(
                    "[[hand]]\nat_s = {START}\ntip = {{ arm = \"{arm}\", velocity_mm_s = {velocity} }}\n[[hand]]\nat_s = {end}\nneutral = true\n"
                ),
            ));
        }
    }
    let (radius, speed) = (CIRCLE / 2.0, 250.0);
    moves.push(make(
        format!("circle, {speed} mm/s"),
        START + TAU * radius / speed + SMOOTH + REST,
        format!(
            "[[hand]]\nat_s = {START}\ncircle = {{ arm = \"{arm}\", radius_mm = {radius}, speed_mm_s = {speed} }}\n"
        ),
    ));
    moves
}

impl Move {
    /// How well the tip kept to it.
    ///
    /// # Panics
    /// If it cannot be run, or the machine stopped.
    pub fn track(&self) -> Tracking {
        let trace = rehearse(&self.scenario, 1).unwrap_or_else(|e| panic!("{}: {e}", self.name));
        let mut found = judge(&self.scenario, 1, &trace);
        assert_eq!(found.end_state, "enabled", "{}: {:?}", self.name, found.false_alarm);
        found.tracking.remove(0)
    }
}
