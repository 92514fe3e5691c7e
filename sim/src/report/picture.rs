//! The machine at one moment: from the side above, from above below it, both to one scale and with one forward axis.

use bellcrank_machine::description::{Description, Zone};
use maud::{Markup, html};
use nalgebra::Vector3;

use super::chart::sample;
use super::moments::{self, Moment};
use super::units::MM;
use super::{Rehearsed, panels};
use crate::trace::Sample;

/// Width of a picture, in its own units.
pub const WIDTH: f64 = 560.0;
/// Height that the two views share at most.
const HEIGHT: f64 = 800.0;
/// Room around and between the views.
const EDGE: f64 = 44.0;
/// Room for the title of the view from above.
const TITLE: f64 = 36.0;
/// Size of the letters.
pub const LETTERS: f64 = 24.0;
/// Points of a path nearer together than this are drawn as one.
const STEP: f64 = 1.0;
/// A scale bar is at least this long.
const BAR_LEAST: f64 = 70.0;

/// Pictures of a rehearsal at each of its moments, all to one scale; moments at the same time share one.
pub fn pictures(rehearsed: &Rehearsed, moments: &[Moment]) -> Markup {
    let Some(room) = Room::of(rehearsed) else {
        return html! {};
    };
    let index = |moment: &Moment| moments::index(rehearsed.trace, moment.t);
    html! {
        @for (number, same) in moments.chunk_by(|a, b| index(a) == index(b)).enumerate() {
            @if let Some(now) = moments::sample(rehearsed.trace, same[0].t) {
                (figure(rehearsed, &room, number + 1, same, now))
            }
        }
    }
}

/// The room that everything takes in the whole rehearsal, and the scale that makes it fit.
pub struct Room {
    least: Vector3<f64>,
    greatest: Vector3<f64>,
    /// Units of the picture in a metre.
    pub scale: f64,
}

impl Room {
    /// The room of a rehearsal. None without a sample.
    pub fn of(rehearsed: &Rehearsed) -> Option<Self> {
        let machine = &*rehearsed.scenario.machine;
        let radius = machine.axes.iter().map(|axis| axis.joint.radius).fold(0.1, f64::max);
        let arms = rehearsed
            .trace
            .samples
            .iter()
            .flat_map(|sample| &sample.arms)
            .flat_map(|arm| &arm.points);
        let corners: Vec<_> = machine.zones.iter().filter_map(Zone::bounds).collect();
        let zones = corners.iter().flat_map(|(min, max)| [min, max]);
        let round = Vector3::repeat(radius);
        let (least, greatest) = arms
            .chain(zones)
            .map(|p| (p - round, p + round))
            .reduce(|a, b| (a.0.inf(&b.0), a.1.sup(&b.1)))?;
        // The ground is always in view.
        let least = Vector3::new(least.x, least.y, least.z.min(-0.1));
        let size = greatest - least;
        let scale = ((WIDTH - 2.0 * EDGE) / size.x).min(HEIGHT / (size.y + size.z));
        Some(Self { least, greatest, scale })
    }

    /// Height of a picture with both views.
    pub fn height(&self) -> f64 {
        self.above(&self.least).1 + EDGE
    }

    fn forward(&self, x: f64) -> f64 {
        let middle = f64::midpoint(self.least.x, self.greatest.x);
        0.5 * WIDTH + self.scale * (x - middle)
    }

    /// Seen from the right: forward to the right, up is up.
    pub fn side(&self, p: &Vector3<f64>) -> (f64, f64) {
        (self.forward(p.x), EDGE + self.scale * (self.greatest.z - p.z))
    }

    /// Seen from above: forward to the right, left is up.
    pub fn above(&self, p: &Vector3<f64>) -> (f64, f64) {
        (
            self.forward(p.x),
            self.below_side() + EDGE + TITLE + self.scale * (self.greatest.y - p.y),
        )
    }

    /// Where the view from the side ends.
    pub fn below_side(&self) -> f64 {
        self.side(&self.least).1 + LETTERS
    }
}

fn figure(rehearsed: &Rehearsed, room: &Room, number: usize, same: &[Moment], now: &Sample) -> Markup {
    let moment = &same[0];
    let machine = &*rehearsed.scenario.machine;
    let fault = rehearsed.findings.fault_at_s.filter(|&fault| fault < moment.t);
    let before = fault.and_then(|fault| moments::sample(rehearsed.trace, fault));
    let told: Vec<_> = machine
        .arms
        .iter()
        .zip(&now.arms)
        .enumerate()
        .map(|(index, (arm, here))| {
            let clearance = here
                .clearance
                .map(|clearance| format!(", {:.0} mm clear of the zones", MM * clearance));
            let on = before
                .and_then(|before| before.arms.get(index))
                .map(|before| format!(", {:.0} mm on from the fault", MM * (here.tip() - before.tip()).norm()));
            let speed = format!("{:.0} mm/s", MM * here.tip_speed);
            (
                arm.name.as_str(),
                [Some(speed), clearance, on].into_iter().flatten().collect::<String>(),
            )
        })
        .collect();
    let spoken: Vec<_> = told
        .iter()
        .map(|(name, figures)| format!("{name}: {figures}"))
        .collect();
    let names: Vec<_> = same.iter().map(|moment| moment.kind.name()).collect();
    let heading = format!("{number}. {}, {:.2} s", names.join(" and "), moment.t);
    let alternative = format!(
        "{heading}: the machine from the side and from above. {}.",
        spoken.join(". ")
    );
    html! {
        figure class={ "picture " (moment.kind.class()) } {
            figcaption {
                strong { (heading) }
                @for (index, (name, figures)) in told.iter().enumerate() {
                    span class="key" { (sample(&format!("line-{}", index % 4))) (name) " " small { (figures) } }
                }
            }
            svg viewBox=(format!("0 0 {WIDTH} {:.0}", room.height())) role="img" aria-label=(alternative) {
                (ground(room))
                (view(rehearsed, moment, now, before, &|p| room.side(p)))
                line class="stroke-grid" x1="0" y1=(px(room.below_side() + 4.0)) x2=(WIDTH) y2=(px(room.below_side() + 4.0)) {}
                (view(rehearsed, moment, now, before, &|p| room.above(p)))
                (words(room))
            }
        }
    }
}

/// One view: zones, where the arms were at the fault, their ways, the arms, their names.
fn view(
    rehearsed: &Rehearsed,
    moment: &Moment,
    now: &Sample,
    before: Option<&Sample>,
    project: &dyn Fn(&Vector3<f64>) -> (f64, f64),
) -> Markup {
    let machine = &*rehearsed.scenario.machine;
    let all = &rehearsed.trace.samples;
    let until = moments::index(rehearsed.trace, moment.t).min(all.len().saturating_sub(1));
    let fault = before.map_or(until, |before| moments::index(rehearsed.trace, before.t));
    let way = |arm: usize, samples: &[Sample]| path(samples.iter().map(|sample| project(&sample.arms[arm].tip())));
    let bones = |sample: &Sample, arm: usize| path(sample.arms[arm].points.iter().map(project));
    html! {
        @for (min, max) in machine.zones.iter().filter_map(Zone::bounds) {
            @let (a, b) = (project(&min), project(&max));
            rect class="zone" x=(px(a.0)) y=(px(b.1)) width=(px(b.0 - a.0)) height=(px(a.1 - b.1)) {}
        }
        @for (name, (x, y)) in zone_names(machine, project) {
            text class="fill-text halo" font-size=(LETTERS) text-anchor="middle" x=(px(x)) y=(px(y)) { (name) }
        }
        @for (number, arm) in now.arms.iter().enumerate() {
            @let ink = format!("stroke-line-{}", number % 4);
            @if let Some(before) = before { polyline class="ghost" points=(bones(before, number)) {} }
            g class={ "body " (ink) } {
                @for (link, &axis) in arm.points.windows(2).zip(&machine.arms[number].axes) {
                    @let width = 2.0 * machine.axes[axis].joint.radius * scale_of(project);
                    polyline stroke-width=(px(width)) points=(path(link.iter().map(project))) {}
                }
            }
            polyline class={ "way " (ink) } points=(way(number, &all[..=fault])) {}
            polyline class={ "bones " (ink) } points=(bones(now, number)) {}
            @if fault < until { polyline class="way-on" points=(way(number, &all[fault..=until])) {} }
            @for point in &arm.points {
                @let (x, y) = project(point);
                circle class={ "joint " (ink) } cx=(px(x)) cy=(px(y)) r="5" {}
            }
        }
        @if let Some(joint) = at_fault(rehearsed, moment, now) {
            @let (x, y) = project(&joint);
            circle class="at-fault" cx=(px(x)) cy=(px(y)) r="16" {}
        }
        @for (name, (x, y)) in machine.arms.iter().map(|arm| &arm.name).zip(names(now, project)) {
            text class="fill-text halo" font-size=(LETTERS) text-anchor="middle" x=(px(x)) y=(px(y)) { (name) }
        }
    }
}

/// Where the names of the zones go: in the middle of each. Where another stands there already, the one further down in the machine file goes
/// without.
pub fn zone_names<'m>(
    machine: &'m Description,
    project: &dyn Fn(&Vector3<f64>) -> (f64, f64),
) -> Vec<(&'m str, (f64, f64))> {
    let mut placed: Vec<(&str, (f64, f64))> = Vec::new();
    for zone in &machine.zones {
        let Some((min, max)) = zone.bounds() else { continue };
        let (a, b) = (project(&min), project(&max));
        let at = (f64::midpoint(a.0, b.0), f64::midpoint(a.1, b.1) + 0.35 * LETTERS);
        let width = |name: &str| 0.6 * LETTERS * name.len() as f64;
        let free = placed.iter().all(|(name, (x, y))| {
            (x - at.0).abs() > f64::midpoint(width(name), width(&zone.name)) || (y - at.1).abs() > LETTERS
        });
        if free {
            placed.push((&zone.name, at));
        }
    }
    placed
}

/// Where the names of the arms go: above tips higher than their base, else below; further if another stands there.
fn names(now: &Sample, project: &dyn Fn(&Vector3<f64>) -> (f64, f64)) -> Vec<(f64, f64)> {
    let mut taken: Vec<(f64, f64)> = Vec::new();
    for arm in &now.arms {
        let (x, y) = project(&arm.tip());
        let base = arm.points.first().map_or(y, |base| project(base).1);
        let (step, mut at) = if y < base {
            (-LETTERS, (x, y - LETTERS))
        } else {
            (LETTERS, (x, y + 1.7 * LETTERS))
        };
        while taken
            .iter()
            .any(|other| (other.0 - at.0).abs() < 3.0 * LETTERS && (other.1 - at.1).abs() < LETTERS)
        {
            at.1 += step;
        }
        taken.push(at);
    }
    taken
}

/// From its fault on, the joint of the axis at fault, if the fault is one of an axis.
fn at_fault(rehearsed: &Rehearsed, moment: &Moment, now: &Sample) -> Option<Vector3<f64>> {
    let fault = rehearsed.scenario.faults.iter().find(|fault| fault.at <= moment.t)?;
    let axis = panels::at_fault(&fault.kind)?;
    let mut arms = rehearsed.scenario.machine.arms.iter().zip(&now.arms);
    arms.find_map(|(arm, here)| {
        here.points
            .get(arm.axes.iter().position(|&of_arm| of_arm == axis)?)
            .copied()
    })
}

/// Units of a picture in a metre, as a view has it.
fn scale_of(project: &dyn Fn(&Vector3<f64>) -> (f64, f64)) -> f64 {
    project(&Vector3::x()).0 - project(&Vector3::zeros()).0
}

/// The ground, seen from the side.
pub fn ground(room: &Room) -> Markup {
    let (_, y) = room.side(&Vector3::zeros());
    html! {
        line class="ground" x1="0" y1=(px(y)) x2=(WIDTH) y2=(px(y)) {}
        rect class="earth" x="0" y=(px(y)) width=(WIDTH) height="8" {}
    }
}

/// What the views are, and how long a metre is.
pub fn words(room: &Room) -> Markup {
    let length = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .find(|length| room.scale * length >= BAR_LEAST)
        .unwrap_or(20.0);
    let (end, y) = (WIDTH - 12.0, room.below_side() + 12.0 + LETTERS);
    let start = end - room.scale * length;
    html! {
        g class="fill-text halo" font-size=(LETTERS) {
            text x="8" y=(px(8.0 + LETTERS)) { "from the right, forward →" }
            text x="8" y=(px(y)) { "from above, left ↑" }
            text x=(px(start - 8.0)) y=(px(y)) text-anchor="end" { (length) " m" }
        }
        path class="bar" d=(format!("M{start:.1},{:.1}v14M{start:.1},{:.1}H{end:.1}M{end:.1},{:.1}v14", y - 15.0, y - 8.0, y - 15.0)) {}
    }
}

/// Points for a polyline, without those too near to the one before; first and last are kept.
pub fn path(points: impl Iterator<Item = (f64, f64)>) -> String {
    let mut kept: Vec<(f64, f64)> = Vec::new();
    let mut last = None;
    for point in points {
        let near = kept
            .last()
            .is_some_and(|before| (point.0 - before.0).hypot(point.1 - before.1) < STEP);
        if near {
            last = Some(point);
        } else {
            kept.push(point);
            last = None;
        }
    }
    kept.extend(last);
    let texts: Vec<_> = kept.iter().map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
    texts.join(" ")
}

/// A length as a picture has it.
pub fn px(value: f64) -> String {
    format!("{value:.1}")
}
