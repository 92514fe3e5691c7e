//! Why the machine does not move: in each state of the interlock, what it waits for and what there is of it.
//!
//! Told from what the core shows and from what it was given; what decides is the core alone.

use bellcrank_core::Controller;
use bellcrank_core::cause::Category;
use bellcrank_core::inputs::Station;
use bellcrank_core::last_tick::Held as HeldBack;
use bellcrank_core::outputs::Status;
use bellcrank_core::supervise::State;
use bellcrank_machine::description::{self, Description};
use serde::Serialize;

use super::desk::Asked;
use super::session::STEPS;

/// One thing that motion waits for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Wait {
    /// What, in words.
    pub what: String,
    /// It is so.
    pub met: bool,
}

fn wait(met: bool, what: impl Into<String>) -> Wait {
    Wait { what: what.into(), met }
}

/// What the machine waits for in its state, in the order in which somebody would see to it.
pub fn waits(
    machine: &Description,
    station: Station,
    controller: &Controller,
    status: &Status,
    asked: &Asked,
) -> Vec<Wait> {
    let switches = controller.posture().map(|posture| posture.switches).unwrap_or_default();
    let heard = wait(asked.held.is_some(), "the hand control is heard");
    let neutral = {
        let moved = moved(machine, station, asked);
        let what = if moved.is_empty() {
            "every lever is at neutral".to_string()
        } else {
            format!("every lever at neutral: {} is not", moved.join(", "))
        };
        wait(moved.is_empty(), what)
    };
    let stop_out = wait(!asked.stop && !switches.stop_demanded, "the stop button is let out");
    match status.state {
        State::SelfTest => vec![
            wait(
                unread(machine, controller).is_empty(),
                sensors(&unread(machine, controller)),
            ),
            stop_out,
        ],
        State::Standby => vec![heard, neutral],
        State::Ready => vec![wait(switches.enable(station), "press and hold the enabling switch")],
        State::Enabled => driving(machine, controller, neutral.met),
        State::Stopping => vec![wait(false, "ramping down; the power goes when everything is at rest")],
        State::Stopped | State::Fault => {
            let reason = status.cause.map_or_else(
                || "it lost its power: a loss of power is no reset".to_string(),
                |cause| {
                    let axis = status.axis.and_then(|axis| machine.axes.get(axis.index()));
                    let axis = axis.map_or_else(String::new, |axis| format!(" ({})", axis.name));
                    let category = match cause.category() {
                        Category::Zero => 0,
                        Category::One => 1,
                    };
                    format!("{cause}{axis}, stop category {category}")
                },
            );
            let unread = unread(machine, controller);
            let mut waits = vec![wait(false, format!("latched: {reason}")), stop_out, heard, neutral];
            if !unread.is_empty() {
                waits.insert(1, wait(false, sensors(&unread)));
            }
            waits.push(wait(asked.held.is_some_and(|held| held.reset), "then press reset anew"));
            waits
        }
    }
}

/// The levers that are beyond the dead zone, by the axes or numbers that they have.
fn moved(machine: &Description, station: Station, asked: &Asked) -> Vec<String> {
    let Some(held) = asked.held else { return Vec::new() };
    let dead_zone = limits(machine, station).dead_zone;
    let beyond = |steps: &i16| f64::from(steps.abs()) / f64::from(STEPS) > dead_zone;
    let levers = held.levers.iter().enumerate();
    levers
        .filter(|(_, steps)| beyond(steps))
        .map(|(lever, _)| {
            let axis = machine.axes.iter().find(|axis| axis.lever == Some(lever));
            axis.map_or_else(
                || format!("lever {lever}"),
                |axis| format!("the lever of {}", axis.name),
            )
        })
        .collect()
}

/// The axes that are not known.
fn unread<'m>(machine: &'m Description, controller: &Controller) -> Vec<&'m str> {
    let Some(posture) = controller.posture() else {
        return Vec::new();
    };
    let known = posture.axes.iter().map(|(_, axis)| axis.known);
    let axes = machine.axes.iter().zip(known);
    axes.filter(|(_, known)| !known)
        .map(|(axis, _)| axis.name.as_str())
        .collect()
}

fn sensors(unread: &[&str]) -> String {
    if unread.is_empty() {
        "every axis reads well".to_string()
    } else {
        format!("every axis reads well: {} does not", unread.join(", "))
    }
}

/// It drives, and what is held back.
fn driving(machine: &Description, controller: &Controller, neutral: bool) -> Vec<Wait> {
    let held = controller.last_tick().guarded.axes;
    let mut waits: Vec<Wait> = machine
        .axes
        .iter()
        .zip(held.iter())
        .filter_map(|(axis, (_, held))| {
            let from = held_back(machine, held?);
            Some(wait(false, format!("{} is held back: {from}", axis.name)))
        })
        .collect();
    if neutral {
        waits.push(wait(false, "move a lever"));
    }
    waits
}

/// What the guard holds an axis back from.
pub fn held_back(machine: &Description, held: HeldBack) -> String {
    match held {
        HeldBack::FromZone(zone) => {
            let name = machine.zones.get(usize::from(zone)).map_or("?", |zone| &zone.name);
            format!("near {name}")
        }
        HeldBack::FromArm => "near the other arm".to_string(),
        HeldBack::FromTipping => "it would tip".to_string(),
        HeldBack::FromEnd => "end of its range".to_string(),
    }
}

/// What the station in charge may do.
pub fn limits(machine: &Description, station: Station) -> &description::Station {
    match (&machine.stations.remote, station) {
        (Some(remote), Station::Remote) => remote,
        _ => &machine.stations.seat,
    }
}
