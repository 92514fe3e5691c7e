//! A rehearsal as a film: the machine from the side and from above, with what a page's script needs to run through it.
//!
//! What is drawn here is one moment, complete in itself; the script only moves what is there.

use bellcrank_machine::description::Zone;
use maud::{Markup, html};
use nalgebra::Vector3;
use serde::Serialize;

use super::picture::{LETTERS, Room, WIDTH, ground, path, px, words, zone_names};
use super::units::MM;
use super::{Rehearsed, moments, panels};
use crate::trace::Sample;

/// Time between pictures, s: as smooth as an eye asks for, and no more to carry.
const EVERY_S: f64 = 0.02;

/// All its pictures.
#[derive(Debug, Serialize)]
pub struct Film {
    /// When each is, s.
    t: Vec<f64>,
    /// What the interlock's state is in each.
    state: Vec<String>,
    /// Speed of the fastest tip, mm/s.
    speed: Vec<f64>,
    /// Least distance to a zone, mm, where there is one.
    clearance: Vec<Option<f64>>,
    /// In each view, the one from the side first, for each arm, at each time: x and y of its joints and its tip, one after the other.
    views: Vec<Vec<Vec<Vec<f64>>>>,
    /// Where what is at fault is, and since when, s.
    fault: Option<AtFault>,
}

#[derive(Debug, Serialize)]
struct AtFault {
    t: f64,
    arm: usize,
    point: usize,
}

/// The film of a rehearsal, and its picture at a time. None without a sample.
pub fn film(rehearsed: &Rehearsed, at: f64) -> Option<(Markup, Film)> {
    let room = Room::of(rehearsed)?;
    let still = moments::sample(rehearsed.trace, at)?;
    let step = (1..1000)
        .find(|&step: &usize| step as f64 * rehearsed.trace.interval > 0.99 * EVERY_S)
        .unwrap_or(1);
    let samples: Vec<&Sample> = rehearsed.trace.samples.iter().step_by(step).collect();
    let arms = 0..rehearsed.scenario.machine.arms.len();
    let view = |project: &Project| {
        let arm = |number| samples.iter().map(|sample| flat(project, sample, number)).collect();
        arms.clone().map(arm).collect()
    };
    let of_arms = |sample: &Sample| sample.arms.iter().filter_map(|arm| arm.clearance).reduce(f64::min);
    let film = Film {
        t: samples.iter().map(|sample| tenths(1e2 * sample.t) / 1e2).collect(),
        state: samples.iter().map(|sample| sample.state.to_string()).collect(),
        speed: samples.iter().map(|sample| (MM * fastest(sample)).round()).collect(),
        clearance: samples
            .iter()
            .map(|sample| of_arms(sample).map(|clearance| (MM * clearance).round()))
            .collect(),
        views: vec![view(&|p| room.side(p)), view(&|p| room.above(p))],
        fault: at_fault(rehearsed),
    };
    Some((picture(rehearsed, &room, still), film))
}

/// Where a point is in a view.
type Project<'p> = dyn Fn(&Vector3<f64>) -> (f64, f64) + 'p;

fn picture(rehearsed: &Rehearsed, room: &Room, now: &Sample) -> Markup {
    html! {
        svg id="film" viewBox=(format!("0 0 {WIDTH} {:.0}", room.height())) role="img" aria-labelledby="film-title film-desc" {
            title id="film-title" { "The machine in motion, from the right and from above" }
            desc id="film-desc" {
                "Arms as lines with round joints, zones hatched, the ways of the tips as thin lines. What it shows is told in words below it."
            }
            (ground(room))
            (view(rehearsed, room, now, 0, &|p| room.side(p)))
            line class="stroke-grid" x1="0" y1=(px(room.below_side() + 4.0)) x2=(WIDTH) y2=(px(room.below_side() + 4.0)) {}
            (view(rehearsed, room, now, 1, &|p| room.above(p)))
            (words(room))
        }
    }
}

fn view(rehearsed: &Rehearsed, room: &Room, now: &Sample, number: usize, project: &Project) -> Markup {
    let machine = &*rehearsed.scenario.machine;
    let ways = (0..now.arms.len()).map(|arm| {
        let tips = rehearsed
            .trace
            .samples
            .iter()
            .map(|sample| project(&sample.arms[arm].tip()));
        path(tips)
    });
    html! {
        g data-view=(number) {
            @for (min, max) in machine.zones.iter().filter_map(Zone::bounds) {
                @let (a, b) = (project(&min), project(&max));
                rect class="zone" x=(px(a.0)) y=(px(b.1)) width=(px(b.0 - a.0)) height=(px(a.1 - b.1)) {}
            }
            @for (name, (x, y)) in zone_names(machine, project) {
                text class="fill-text halo" font-size=(LETTERS) text-anchor="middle" x=(px(x)) y=(px(y)) { (name) }
            }
            @for (number, way) in ways.enumerate() { polyline class={ "way stroke-line-" (number % 4) } points=(way) {} }
            @for (number, arm) in now.arms.iter().enumerate() {
                @let ink = format!("stroke-line-{}", number % 4);
                g data-arm=(number) {
                    g class={ "body " (ink) } {
                        @for (link, &axis) in arm.points.windows(2).zip(&machine.arms[number].axes) {
                            polyline stroke-width=(px(2.0 * machine.axes[axis].joint.radius * room.scale))
                                points=(path(link.iter().map(project))) {}
                        }
                    }
                    polyline class={ "bones " (ink) } points=(path(arm.points.iter().map(project))) {}
                    @for point in &arm.points {
                        @let (x, y) = project(point);
                        circle class={ "joint " (ink) } cx=(px(x)) cy=(px(y)) r="5" {}
                    }
                }
            }
            circle class="at-fault" r="16" visibility="hidden" {}
        }
    }
}

fn flat(project: &Project, sample: &Sample, arm: usize) -> Vec<f64> {
    let points = sample.arms.get(arm).map_or(&[][..], |arm| &arm.points);
    let places = points.iter().map(project);
    places.flat_map(|(x, y)| [tenths(x), tenths(y)]).collect()
}

/// The first fault that is one of an axis of an arm.
fn at_fault(rehearsed: &Rehearsed) -> Option<AtFault> {
    rehearsed.scenario.faults.iter().find_map(|fault| {
        let axis = panels::at_fault(&fault.kind)?;
        let mut arms = rehearsed.scenario.machine.arms.iter().enumerate();
        arms.find_map(|(arm, described)| {
            let point = described.axes.iter().position(|&of_arm| of_arm == axis)?;
            Some(AtFault {
                t: fault.at,
                arm,
                point,
            })
        })
    })
}

fn fastest(sample: &Sample) -> f64 {
    sample.arms.iter().map(|arm| arm.tip_speed).fold(0.0, f64::max)
}

fn tenths(value: f64) -> f64 {
    (10.0 * value).round() / 10.0
}
