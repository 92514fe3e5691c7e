//! What was found of an axis, drawn: the curve of its valve, and the steps before and after. Lines differ in how they are drawn and in brightness,
//! so that they can be told apart without colour.

use std::ops::Range;

use bellcrank_machine::description::Drive;
use plotters::prelude::*;

use super::compare::Moment;
use super::estimate::Identified;
use crate::drawing::{Chart, Drawing, DrawingResult, FAINT, INK, Scales, at, plain, px, svg, text_style};

const SIZE: (u32, u32) = (820, 500);
const STEPS_SIZE: (u32, u32) = (960, 46 + 3 * 190 + 26);
/// Height of the title, pixels.
const HEAD: u32 = 46;
const FOUND: RGBColor = RGBColor(0x0b, 0x53, 0x94);
const BEFORE: RGBColor = RGBColor(0xd9, 0x6b, 0x0b);

/// How a line is drawn.
#[derive(Clone, Copy)]
enum Stroke {
    /// What was found, or is after: solid, thick.
    Solid,
    /// What is only carried on.
    Thin,
    /// What the file said, or was before: dashed.
    Dashed,
    /// What was asked for: fine dots.
    Dotted,
}

impl Stroke {
    fn style(self) -> ShapeStyle {
        match self {
            Stroke::Solid => FOUND.stroke_width(px(3)),
            Stroke::Thin => FOUND.stroke_width(px(1)),
            Stroke::Dashed => BEFORE.stroke_width(px(2)),
            Stroke::Dotted => INK.stroke_width(px(2)),
        }
    }

    /// Lengths of its dashes and gaps, pixels.
    fn dashes(self) -> Option<(u32, u32)> {
        match self {
            Stroke::Solid | Stroke::Thin => None,
            Stroke::Dashed => Some((7, 4)),
            Stroke::Dotted => Some((2, 3)),
        }
    }
}

fn line(chart: &mut Chart, points: Vec<(f64, f64)>, stroke: Stroke) -> DrawingResult {
    match stroke.dashes() {
        None => chart.draw_series(LineSeries::new(points, stroke.style()))?,
        Some((dash, gap)) => chart.draw_series(DashedLineSeries::new(points, px(dash), px(gap), stroke.style()))?,
    };
    Ok(())
}

/// Names of lines, each after a piece of its line, from `left` on.
fn legend(area: &Drawing, (mut left, top): (i32, i32), entries: &[(&str, Stroke)]) -> DrawingResult {
    for (name, stroke) in entries {
        let (dash, gap) = stroke.dashes().unwrap_or((30, 1));
        for from in (0..30).step_by((dash + gap) as usize) {
            let to = (from + dash).min(30);
            let ends = vec![(left + at(from), top + at(8)), (left + at(to), top + at(8))];
            area.draw(&PathElement::new(ends, stroke.style()))?;
        }
        area.draw_text(name, &text_style(13), (left + at(36), top))?;
        left += at(36 + 7 * u32::try_from(name.len()).unwrap_or(0) + 24);
    }
    Ok(())
}

/// Values of both with some air.
fn scale(values: impl Iterator<Item = f64>) -> Range<f64> {
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
        (low.min(value), high.max(value))
    });
    let air = 0.06 * (high - low).max(1e-3);
    low - air..high + air
}

/// Rate over command, both ways: each knot with its interval, what was carried on beyond, and what the machine file said.
pub fn curves(found: &Identified, file: &Drive) -> String {
    let scale = if found.unit == "deg" { 1_f64.to_degrees() } else { 1e3 };
    let believed = [file.full_rate.0, file.full_rate.1];
    let full = found.curves.iter().map(|curve| curve.full_rate).chain(believed);
    let top = full.fold(0.0, f64::max) * scale * 1.05;
    svg(SIZE, |root| {
        root.fill(&WHITE)?;
        let title = format!("{}: how fast it goes at a command of its valve", found.axis);
        root.draw_text(&title, &text_style(18), (at(14), at(10)))?;
        let entries = [
            ("found, with 95 % intervals", Stroke::Solid),
            ("carried on", Stroke::Thin),
            ("the machine file", Stroke::Dashed),
        ];
        legend(root, (at(14), at(38)), &entries)?;
        let mut chart = ChartBuilder::on(root)
            .margin(px(12))
            .margin_top(px(64))
            .x_label_area_size(px(44))
            .y_label_area_size(px(66))
            .build_cartesian_2d(-100.0..100.0, -top..top)?;
        chart
            .configure_mesh()
            .x_desc("command, % of full; below 0: retract, above: extend")
            .y_desc(format!("rate, {}/s", found.unit))
            .x_labels(11)
            .x_label_formatter(&|x| plain(*x))
            .y_label_formatter(&|y| plain(*y))
            .label_style(text_style(13))
            .light_line_style(TRANSPARENT)
            .bold_line_style(FAINT.stroke_width(px(1)))
            .axis_style(INK.stroke_width(px(1)))
            .draw()?;
        let bands = [file.deadband.0, file.deadband.1];
        for (way, (curve, sign)) in found.curves.iter().zip([1.0, -1.0]).enumerate() {
            let at = |command: f64, rate: f64| (sign * 100.0 * command, sign * scale * rate);
            let mut said = vec![at(0.0, 0.0), at(bands[way], 0.0)];
            let share = |&(command, share): &(f64, f64)| at(command, share * believed[way]);
            said.extend(file.curve[way].iter().map(share));
            if file.curve[way].last().is_none_or(|last| last.0 < 1.0) {
                said.push(at(1.0, believed[way]));
            }
            let mut measured = vec![at(0.0, 0.0), at(curve.deadband, 0.0)];
            measured.extend(curve.knots.iter().map(|knot| at(knot.command, knot.rate.value)));
            let last = measured[measured.len() - 1];
            line(&mut chart, measured, Stroke::Solid)?;
            let carried_on = vec![last, at(curve.full_at, curve.full_rate), at(1.0, curve.full_rate)];
            line(&mut chart, carried_on, Stroke::Thin)?;
            line(&mut chart, said, Stroke::Dashed)?;
            for knot in &curve.knots {
                for (from, to) in whiskers(at(knot.command, knot.rate.low), at(knot.command, knot.rate.high)) {
                    chart.draw_series(LineSeries::new([from, to], INK.stroke_width(px(1))))?;
                }
                chart.draw_series([Circle::new(at(knot.command, knot.rate.value), px(2), INK.filled())])?;
            }
        }
        root.present()
    })
}

/// An interval as an upright line with a bar across each end.
fn whiskers(low: (f64, f64), high: (f64, f64)) -> [((f64, f64), (f64, f64)); 3] {
    let across = |(x, y): (f64, f64)| ((x - 1.2, y), (x + 1.2, y));
    [(low, high), across(low), across(high)]
}

/// Stroke, how far it is from where it was asked to be, and the greater of the two pressures, over the time of a step out and one back.
pub fn steps(axis: &str, unit: &str, before: &[Moment], after: &[Moment]) -> String {
    let times = if unit == "deg" { 1_f64.to_degrees() } else { 1e3 };
    let of = |moments: &[Moment], value: &dyn Fn(&Moment) -> f64| -> Vec<(f64, f64)> {
        moments.iter().map(|moment| (moment.t, value(moment))).collect()
    };
    let origin = |moments: &[Moment]| moments.first().map_or(0.0, |first| first.stroke);
    let gone = |moments: &[Moment]| of(moments, &|moment| times * (moment.stroke - origin(moments)));
    let off = |moments: &[Moment]| of(moments, &|moment| times * (moment.stroke - moment.asked));
    let bar = |moments: &[Moment]| of(moments, &|moment| moment.pressures[0].max(moment.pressures[1]) / 1e5);
    let asked = of(after, &|moment| times * (moment.asked - origin(after)));
    let peak = |moments: &[Moment]| bar(moments).iter().map(|point| point.1).fold(0.0, f64::max);
    let panels = [
        (format!("stroke, {unit}"), gone(before), gone(after), Some(asked)),
        (
            format!("ahead of what was asked, {unit}"),
            off(before),
            off(after),
            None,
        ),
        (
            format!(
                "greater pressure of its two ports, bar; peak before {:.0}, after {:.0}",
                peak(before),
                peak(after)
            ),
            bar(before),
            bar(after),
            None,
        ),
    ];
    let end = after.last().map_or(1.0, |last| last.t);
    svg(STEPS_SIZE, |root| {
        root.fill(&WHITE)?;
        let (head, body) = root.split_vertically(px(HEAD));
        let title = format!("{axis}: a step out and one back, simulated");
        head.draw_text(&title, &text_style(18), (at(14), at(14)))?;
        let entries = [
            ("before", Stroke::Dashed),
            ("after", Stroke::Solid),
            ("asked for", Stroke::Dotted),
        ];
        legend(&head, (at(560), at(16)), &entries)?;
        let (body, foot) = body.split_vertically(px(3 * 190));
        for (area, (title, before, after, asked)) in body.split_evenly((3, 1)).iter().zip(panels) {
            let all = before.iter().chain(&after).chain(asked.iter().flatten());
            let range = scale(all.map(|point| point.1));
            let mut chart = ChartBuilder::on(area)
                .margin_right(px(24))
                .margin_left(px(8))
                .margin_top(px(26))
                .x_label_area_size(px(22))
                .y_label_area_size(px(56))
                .build_cartesian_2d(0.0..end, range)?;
            Scales {
                letters: 13,
                levels: 5,
                numbered: true,
                across: "",
            }
            .draw(&mut chart)?;
            // The dashes last, or where both are the same the first could not be seen.
            line(&mut chart, after, Stroke::Solid)?;
            line(&mut chart, before, Stroke::Dashed)?;
            if let Some(asked) = asked {
                line(&mut chart, asked, Stroke::Dotted)?;
            }
            area.draw_text(&title, &text_style(14), (at(66), at(5)))?;
        }
        foot.draw_text("time, s", &text_style(14), (at(470), at(2)))?;
        root.present()
    })
}
