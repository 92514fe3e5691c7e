//! A lift chart as a picture: rated loads over reach and height, both to one scale, over all places that the tip can be.

use std::ops::Range;

use bellcrank_machine::description::{Arm, Description, JointAxis, Zone};
use nalgebra::Vector2;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::super::report::{Lift, LiftCell, LiftLimit, Survey};
use super::plane::{Plane, Sheet, cut};
use super::{PRESSURE_SHARE, TIPPING_SHARE};
use crate::drawing::{self, Drawing, DrawingResult, INK, at, plain, px, text_style};
use crate::plant::Bodies;

/// Room for the chart itself, the head above it, the foot below it, the labels of its axes and the legend beside it, pixels.
const ROOM: (f64, f64) = (620.0, 760.0);
const HEAD: u32 = 96;
const FOOT: u32 = 74;
const LABELS: u32 = 52;
const LEGEND: u32 = 236;
const EDGE: u32 = 14;
/// The envelope is drawn in strips so high, pixels.
const STRIP: f64 = 1.5;
/// Directions in which a zone is looked for from the first joint.
const DIRECTIONS: u32 = 72;

const ENVELOPE: RGBColor = RGBColor(0xe3, 0xe3, 0xde);
const GROUND: RGBColor = RGBColor(0x8b, 0x81, 0x70);
const EARTH: RGBColor = RGBColor(0xf6, 0xf2, 0xea);
const TIPPING: RGBColor = RGBColor(0xd9, 0x6b, 0x0b);
/// The least and the greatest load.
const LIGHT: RGBColor = RGBColor(0xd6, 0xe6, 0xf2);
const DARK: RGBColor = RGBColor(0x08, 0x30, 0x5c);
/// Loads in the legend.
const SWATCHES: u32 = 5;

const CAUTION: [&str; 2] = [
    "Calculated, not rated: whoever lifts needs a chart that competent people have tested, under the local rules. Strength of links,",
    "pins and ground, slopes, and loads that swing or stick are not in it. Other poses with the tip at the same place may hold less.",
];

type Chart<'a, 'b> = ChartContext<'b, SVGBackend<'a>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

/// Draws the lift chart of an arm of a surveyed machine as SVG. None where it has none.
///
/// # Panics
/// If the survey is of another machine.
pub fn picture(machine: &Description, survey: &Survey, arm: usize) -> Option<String> {
    let lift = survey.arms[arm].lift.as_ref()?;
    let picture = Picture::new(machine, &machine.arms[arm], lift)?;
    Some(drawing::svg(picture.size(), |root| picture.draw(root)))
}

struct Picture<'m> {
    machine: &'m Description,
    arm: &'m Arm,
    lift: &'m Lift,
    /// Where the tip can be: strips of (least and greatest reach, height of their middle), m.
    strips: Vec<(f64, f64, f64)>,
    strip: f64,
    reach: Range<f64>,
    height: Range<f64>,
    /// Pixels in a metre.
    scale: f64,
    /// Least and greatest rated load that a colour is given, kg.
    loads: (f64, f64),
}

impl<'m> Picture<'m> {
    fn new(machine: &'m Description, arm: &'m Arm, lift: &'m Lift) -> Option<Picture<'m>> {
        let bodies = Bodies::of_machine(machine).expect("a surveyed machine's arms are chains");
        let sheets = Plane::new(machine, arm, &bodies)?.sheets();
        let corners = || sheets.iter().flat_map(Sheet::corners);
        let air = 0.6 * lift.step_mm * 1e-3;
        let most = corners().fold(Vector2::zeros(), |most, corner| most.sup(corner));
        // The ground is always in view.
        let least = corners().fold(Vector2::zeros(), |least, corner| least.inf(corner));
        let (reach, height) = (0.0..most.x + air, least.y - air..most.y + air);
        let scale = (ROOM.0 / reach.end).min(ROOM.1 / (height.end - height.start));

        let strip = STRIP / scale;
        let number = |height: f64| (height - least.y) / strip - 0.5;
        let mut spans: Vec<Vec<(f64, f64)>> = Vec::new();
        for triangle in sheets.iter().flat_map(Sheet::triangles) {
            let heights = triangle.map(|corner| number(corner.at.y));
            let low = heights.iter().copied().fold(f64::INFINITY, f64::min).ceil().max(0.0);
            let high = heights.iter().copied().fold(0.0, f64::max);
            let mut strip_number = low;
            while strip_number <= high {
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "a whole number, not below zero, of strips in a picture"
                )]
                let index = strip_number as usize;
                spans.resize(spans.len().max(index + 1), Vec::new());
                spans[index].extend(cut(&triangle, least.y + (strip_number + 0.5) * strip));
                strip_number += 1.0;
            }
        }
        let strips = spans.into_iter().enumerate().flat_map(|(index, spans)| {
            let height = least.y + (index as f64 + 0.5) * strip;
            merged(spans).into_iter().map(move |(low, high)| (low, high, height))
        });
        let strips = strips.collect();

        let greatest = cells(lift).map(|(_, _, cell)| cell.rated_kg).fold(1.0, f64::max);
        let least = cells(lift).map(|(_, _, cell)| cell.rated_kg).fold(greatest, f64::min);
        Some(Picture {
            machine,
            arm,
            lift,
            strips,
            strip,
            reach,
            height,
            scale,
            loads: (least.max(0.01 * greatest), greatest),
        })
    }

    /// Width and height of the chart without its labels, pixels.
    fn chart_size(&self) -> (u32, u32) {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "within ROOM by the choice of the scale"
        )]
        let pixels = |metres: f64| (metres * self.scale) as u32;
        (pixels(self.reach.end), pixels(self.height.end - self.height.start))
    }

    fn size(&self) -> (u32, u32) {
        let (width, height) = self.chart_size();
        (
            // The caution needs its width.
            (EDGE + LABELS + width + LEGEND).max(840),
            HEAD + height.max(360) + LABELS + FOOT,
        )
    }

    fn draw(&self, root: &Drawing) -> DrawingResult {
        root.fill(&WHITE)?;
        let (width, height) = self.chart_size();
        let title = format!("{}, arm {:?}: calculated lift chart", self.machine.name, self.arm.name);
        root.draw_text(&title, &text_style(21), (at(EDGE), at(14)))?;
        for (line, text) in self.told().iter().enumerate() {
            root.draw_text(
                text,
                &text_style(14),
                (at(EDGE), at(42) + at(19) * i32::try_from(line).unwrap_or(0)),
            )?;
        }
        let area = root
            .clone()
            .shrink((px(EDGE), px(HEAD)), (px(LABELS + width), px(height + LABELS)));
        self.draw_chart(&area)?;
        self.draw_legend(root, EDGE + LABELS + width + 24)?;
        let foot = self.size().1 - FOOT + 22;
        for (line, text) in CAUTION.iter().enumerate() {
            let y = at(foot) + at(20) * i32::try_from(line).unwrap_or(0);
            root.draw_text(text, &text_style(14), (at(EDGE), y))?;
        }
        root.present()
    }

    /// What the numbers are.
    fn told(&self) -> [String; 2] {
        let percent = |share: f64| format!("{:.0} %", 100.0 * share);
        let pressure = format!(
            "{} of what {:.0} bar hold",
            percent(PRESSURE_SHARE),
            self.machine.supply.pressure / 1e5
        );
        if self.machine.carrier.is_some() {
            let tipping = percent(TIPPING_SHARE);
            [
                format!(
                    "Load at the tip, kg: the lesser of {pressure} and {tipping} of what tips the machine on level ground"
                ),
                "(the fractions of ISO 10567), at the middle of each square, in the best pose and the worst direction of the slew."
                    .to_owned(),
            ]
        } else {
            [
                format!(
                    "Load at the tip, kg: {pressure} (the fraction of ISO 10567), at the middle of each square, in the best pose."
                ),
                "Tipping is not looked at: the machine file has no [carrier]. It may well come first.".to_owned(),
            ]
        }
    }

    fn draw_chart(&self, area: &Drawing) -> DrawingResult {
        let mut chart = ChartBuilder::on(area)
            .x_label_area_size(px(LABELS))
            .y_label_area_size(px(LABELS))
            .build_cartesian_2d(self.reach.clone(), self.height.clone())?;
        chart
            .configure_mesh()
            .disable_mesh()
            .axis_style(INK.stroke_width(px(1)))
            .set_all_tick_mark_size(px(4))
            .label_style(text_style(14))
            .x_labels(8)
            .y_labels(12)
            .x_label_formatter(&|metres| plain(*metres))
            .y_label_formatter(&|metres| plain(*metres))
            .x_desc("reach from the axis of the first joint, m")
            .y_desc("height above ground, m")
            .draw()?;
        let earth = [(self.reach.start, self.height.start), (self.reach.end, 0.0)];
        chart.draw_series([Rectangle::new(earth, EARTH.filled())])?;
        // A little over each other, or the paper shines through.
        let half = 0.8 * self.strip;
        let strips = self.strips.iter();
        chart.draw_series(strips.map(|&(low, high, height)| {
            Rectangle::new([(low, height - half), (high, height + half)], ENVELOPE.filled())
        }))?;
        let ground = [(self.reach.start, 0.0), (self.reach.end, 0.0)];
        chart.draw_series(LineSeries::new(ground, GROUND.stroke_width(px(3))))?;
        for (reach, height, cell) in cells(self.lift) {
            self.draw_cell(&mut chart, (reach, height), cell)?;
        }
        for zone in &self.machine.zones {
            self.draw_zone(&mut chart, zone)?;
        }
        for (reach, height, cell) in cells(self.lift) {
            self.draw_number(&mut chart, (reach, height), cell)?;
        }
        Ok(())
    }

    fn draw_cell(&self, chart: &mut Chart, (reach, height): (f64, f64), cell: &LiftCell) -> DrawingResult {
        let square = |size: f64| {
            let half = 0.5 * size * self.lift.step_mm * 1e-3;
            [(reach - half, height - half), (reach + half, height + half)]
        };
        let filling = colour(self.share(cell.rated_kg)).filled();
        chart.draw_series([Rectangle::new(square(0.97), filling)])?;
        if cell.limited_by == LiftLimit::Tipping {
            chart.draw_series([outline(square(0.9), TIPPING, 3)])?;
        }
        Ok(())
    }

    fn draw_number(&self, chart: &mut Chart, place: (f64, f64), cell: &LiftCell) -> DrawingResult {
        let ink = if self.share(cell.rated_kg) > 0.45 { WHITE } else { INK };
        let text = format!("{:.0}", cell.rated_kg.floor());
        let side = self.scale * self.lift.step_mm * 1e-3;
        let letters = (0.38 * side).min(1.45 * side / text.len().max(3) as f64);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of a cell in a picture"
        )]
        let style = text_style(letters as u32)
            .color(&ink)
            .pos(Pos::new(HPos::Center, VPos::Center));
        chart.draw_series([Text::new(text, place, style)])?;
        Ok(())
    }

    /// The zone as far as it lies in the directions of the arm, cut off where the chart ends.
    fn draw_zone(&self, chart: &mut Chart, zone: &Zone) -> DrawingResult {
        let (Some((near, far)), Some((min, max))) = (self.zone_reach(zone), zone.bounds()) else {
            return Ok(());
        };
        let (low, high) = (min.z.max(self.height.start), max.z.min(self.height.end));
        let far = far.min(self.reach.end);
        if near >= far || low >= high {
            return Ok(());
        }
        chart.draw_series([outline([(near, low), (far, high)], INK, 2)])?;
        // Hatching: lines that rise as they go out, a sixth of a metre apart.
        let (gap, size) = (1.0 / 6.0, high - low);
        let mut foot = near - size + gap;
        while foot < far {
            let (start, end) = (foot.max(near), (foot + size).min(far));
            let line = [(start, low + start - foot), (end, low + end - foot)];
            chart.draw_series(LineSeries::new(line, INK.mix(0.6).stroke_width(px(1))))?;
            foot += gap;
        }
        Ok(())
    }

    /// Nearest and furthest reach at which a zone lies in any direction that the arm can take.
    fn zone_reach(&self, zone: &Zone) -> Option<(f64, f64)> {
        let first = &self.machine.axes[*self.arm.axes.first()?].joint;
        let (low, high) = if first.axis == JointAxis::Z {
            first.range
        } else {
            (0.0, 0.0)
        };
        let (min, max) = zone.bounds()?;
        let mut reach: Option<(f64, f64)> = None;
        for number in 0..=DIRECTIONS {
            let turn = low + (high - low) * f64::from(number) / f64::from(DIRECTIONS);
            let ray = Vector2::new(turn.cos(), turn.sin());
            let (mut near, mut far) = (0.0_f64, f64::INFINITY);
            for k in 0..2 {
                let faces = [min[k], max[k]].map(|face| (face - self.arm.base[k]) / ray[k]);
                near = near.max(faces[0].min(faces[1]));
                far = far.min(faces[0].max(faces[1]));
            }
            if near < far {
                reach = Some(reach.map_or((near, far), |(least, most)| (least.min(near), most.max(far))));
            }
        }
        reach
    }

    fn draw_legend(&self, root: &Drawing, left: u32) -> DrawingResult {
        let mut y = HEAD + 4;
        let mut row = |swatch: &dyn Fn([(i32, i32); 2]) -> DrawingResult, text: &str| {
            swatch([(at(left), at(y)), (at(left + 28), at(y + 20))])?;
            let result = root.draw_text(text, &text_style(14), (at(left + 38), at(y + 3)));
            y += 30;
            result
        };
        let filled = |colour: RGBColor| move |square| root.draw(&Rectangle::new(square, colour.filled()));
        for number in 0..SWATCHES {
            let share = 1.0 - f64::from(number) / f64::from(SWATCHES - 1);
            let (least, greatest) = self.loads;
            let load = least * (greatest / least).powf(share);
            row(&filled(colour(share)), &format!("{:.0} kg", load.floor()))?;
        }
        if self.machine.carrier.is_some() {
            let border = |square| root.draw(&outline(square, TIPPING, 3));
            row(&border, "tipping limits; else pressure")?;
        }
        row(&filled(ENVELOPE), "the tip can be there")?;
        let line = |[(x, y), (end, low)]: [(i32, i32); 2]| {
            let y = i32::midpoint(y, low);
            root.draw(&PathElement::new([(x, y), (end, y)], GROUND.stroke_width(px(3))))
        };
        row(&line, "ground")?;
        if self.machine.zones.iter().any(|zone| self.zone_reach(zone).is_some()) {
            let zone = |[start, end]: [(i32, i32); 2]| {
                root.draw(&outline([start, end], INK, 2))?;
                root.draw(&PathElement::new(
                    [(start.0, end.1), (end.0, start.1)],
                    INK.stroke_width(px(1)),
                ))
            };
            let names: Vec<&str> = self.machine.zones.iter().map(|zone| zone.name.as_str()).collect();
            row(&zone, &format!("zone in the arm's way: {}", names.join(", ")))?;
        }
        Ok(())
    }

    /// Where a load is between the least and the greatest, by its logarithm.
    fn share(&self, load: f64) -> f64 {
        let (least, greatest) = self.loads;
        if load <= least || greatest <= least {
            0.0
        } else {
            (load / least).ln() / (greatest / least).ln()
        }
    }
}

/// The cells of a chart with their reach and height, m.
fn cells(lift: &Lift) -> impl Iterator<Item = (f64, f64, &LiftCell)> {
    lift.cells.iter().zip(&lift.height_mm).flat_map(move |(row, height)| {
        let cells = row.iter().zip(&lift.reach_mm);
        cells.filter_map(move |(cell, reach)| Some((reach * 1e-3, height * 1e-3, cell.as_ref()?)))
    })
}

/// Spans of reach, those that meet made one.
fn merged(mut spans: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    spans.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let mut merged: Vec<(f64, f64)> = Vec::new();
    for (low, high) in spans {
        match merged.last_mut() {
            Some(last) if low <= last.1 => last.1 = last.1.max(high),
            _ => merged.push((low, high)),
        }
    }
    merged
}

/// The edge of a rectangle between two corners. (That of `plotters` is always a pixel wide.)
fn outline<T: Copy>([(left, low), (right, high)]: [(T, T); 2], ink: RGBColor, width: u32) -> PathElement<(T, T)> {
    let corners = [
        (left, low),
        (right, low),
        (right, high),
        (left, high),
        (left, low),
        (right, low),
    ];
    PathElement::new(corners, ink.stroke_width(px(width)))
}

/// From light to dark, by a share from 0 to 1.
fn colour(share: f64) -> RGBColor {
    let mix = |light: u8, dark: u8| {
        let mixed = f64::from(light) + share * (f64::from(dark) - f64::from(light));
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "between two bytes"
        )]
        let mixed = mixed.round() as u8;
        mixed
    };
    RGBColor(mix(LIGHT.0, DARK.0), mix(LIGHT.1, DARK.1), mix(LIGHT.2, DARK.2))
}
