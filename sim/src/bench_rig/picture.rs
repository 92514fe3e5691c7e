//! A bench's run as a picture: stroke, speed, pressures, spool and what else there is over time, one panel each; a recording
//! dashed over it.

use std::ops::Range;

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::columns::{Column, ENGINE, PORT_A, PORT_B, PRESSURE_A, PRESSURE_B, PUMP, SPEED, SPOOL, STROKE, SUPPLY};
use super::report::{LPM, RPM};
use super::{Bench, Comparison, Record};
use crate::drawing::{self, Drawing, DrawingResult, INK, Scales, at, plain, px, text_style};
use crate::plant::rig::{Events, Feed, Programme};

/// Width of the picture, and heights of its head and of a panel, pixels.
const WIDTH: u32 = 960;
const HEAD: u32 = 46;
const PANEL: u32 = 190;
/// Three colours that differ in brightness too.
const FIRST: RGBColor = RGBColor(0x0b, 0x53, 0x94);
const SECOND: RGBColor = RGBColor(0xd9, 0x6b, 0x0b);
const THIRD: RGBColor = RGBColor(0x6a, 0xa8, 0x4f);
const MARK: RGBColor = RGBColor(0x99, 0x99, 0x99);

/// One line of a panel.
struct Curve {
    name: &'static str,
    colour: RGBColor,
    points: Vec<(f64, f64)>,
    /// The same as it was recorded.
    recorded: Vec<(f64, f64)>,
}

/// Some curves over one scale.
struct Panel {
    title: &'static str,
    curves: Vec<Curve>,
}

/// Draws a run as SVG, and over it what was recorded.
///
/// # Panics
/// Never: a picture in memory has nothing to fail on.
pub fn picture(bench: &Bench, record: &Record, comparison: Option<&Comparison>) -> String {
    let panels = panels(bench, record, comparison);
    let number = u32::try_from(panels.len()).unwrap_or(u32::MAX);
    let size = (WIDTH, HEAD + number * PANEL);
    drawing::svg(size, |root| draw(root, bench, &panels))
}

fn draw(root: &Drawing, bench: &Bench, panels: &[Panel]) -> DrawingResult {
    root.fill(&WHITE)?;
    let (head, body) = root.split_vertically(px(HEAD));
    head.draw_text(&bench.name, &text_style(23), (at(14), at(14)))?;
    let marks = marks(&bench.rig.events);
    for (number, (area, panel)) in body.split_evenly((panels.len(), 1)).iter().zip(panels).enumerate() {
        let frame = Frame {
            end: bench.rig.end,
            marks: &marks,
            first: number == 0,
            last: number + 1 == panels.len(),
        };
        draw_panel(area, panel, &frame)?;
    }
    root.present()
}

fn panels(bench: &Bench, record: &Record, comparison: Option<&Comparison>) -> Vec<Panel> {
    let curve = |name, colour, column: Column, unit: f64| {
        let ours = record
            .samples
            .iter()
            .map(|sample| (sample.time, (column.of)(sample) / unit));
        let recorded = comparison.and_then(|comparison| {
            let recording = &comparison.recording;
            let values = recording.values(&column)?.iter().map(|value| value / unit);
            Some(recording.times().iter().copied().zip(values).collect())
        });
        Curve {
            name,
            colour,
            points: ours.collect(),
            recorded: recorded.unwrap_or_default(),
        }
    };
    let rig = &bench.rig;
    let stairs = |name, colour, programme, unit| Curve {
        name,
        colour,
        points: stairs(programme, rig.end, unit),
        recorded: Vec::new(),
    };
    let panel = |title, curves| Panel { title, curves };
    let mut panels = vec![
        panel("stroke, mm", vec![curve("stroke", FIRST, STROKE, 1e-3)]),
        panel("speed, mm/s", vec![curve("speed", FIRST, SPEED, 1e-3)]),
        panel(
            "pressure, bar",
            vec![
                curve("bore side", FIRST, PRESSURE_A, 1e5),
                curve("rod side", SECOND, PRESSURE_B, 1e5),
            ],
        ),
    ];
    let mut at_valve = Vec::new();
    if rig.holding.is_some() {
        at_valve.push(curve("port A", FIRST, PORT_A, 1e5));
        at_valve.push(curve("port B", SECOND, PORT_B, 1e5));
    }
    if let Feed::Pump { .. } = rig.feed {
        at_valve.push(curve("supply", THIRD, SUPPLY, 1e5));
    }
    if !at_valve.is_empty() {
        panels.push(panel("pressure at the valve, bar", at_valve));
    }
    panels.push(panel(
        "spool, share of full travel",
        vec![
            stairs("command", SECOND, &rig.command, 1.0),
            curve("spool", FIRST, SPOOL, 1.0),
        ],
    ));
    if rig.load.iter().any(|(_, load)| *load != 0.0) {
        let load = stairs("load", FIRST, &rig.load, 1e3);
        panels.push(panel("load against extension, kN", vec![load]));
    }
    if let Feed::Pump { engine, .. } = &rig.feed {
        panels.push(panel("pump flow, l/min", vec![curve("pump", FIRST, PUMP, LPM)]));
        if engine.is_some() {
            panels.push(panel("engine speed, rpm", vec![curve("engine", FIRST, ENGINE, RPM)]));
        }
    }
    panels
}

/// When something other than command and load changed, and what.
fn marks(events: &Events) -> Vec<(f64, String)> {
    let on = |on: bool, yes: &'static str, no: &'static str| if on { yes } else { no }.to_owned();
    let holes = |[a, b]: [f64; 2]| {
        let hole = |port, size: f64| (size > 0.0).then(|| format!("{} mm hole in hose {port}", plain(size * 1e3)));
        let holes: Vec<String> = hole("A", a).into_iter().chain(hole("B", b)).collect();
        if holes.is_empty() {
            "hoses whole".to_owned()
        } else {
            holes.join(", ")
        }
    };
    let mut all = said(&events.engine, |is| on(is, "engine on", "engine off"));
    all.extend(said(&events.dump_closed, |is| on(is, "dump closed", "dump open")));
    all.extend(said(&events.oil_temperature, |celsius| {
        format!("oil {} °C", plain(celsius))
    }));
    all.extend(said(&events.hole, holes));
    all.sort_by(|(one, _), (other, _)| one.total_cmp(other));
    let mut marks: Vec<(f64, String)> = Vec::new();
    for (at, what) in all {
        match marks.last_mut() {
            Some((before, text)) if *before == at => text.extend([", ", &what]),
            _ => marks.push((at, what)),
        }
    }
    marks
}

fn said<T: Copy>(programme: &Programme<T>, say: impl Fn(T) -> String) -> Vec<(f64, String)> {
    programme.iter().map(|&(at, what)| (at, say(what))).collect()
}

/// A programme as a line: zero, then each value from its time on.
fn stairs(programme: &Programme<f64>, end: f64, unit: f64) -> Vec<(f64, f64)> {
    let mut points = vec![(0.0, 0.0)];
    let mut now = 0.0;
    for &(at, value) in programme {
        points.extend([(at, now), (at, value / unit)]);
        now = value / unit;
    }
    points.push((end, now));
    points
}

/// What a panel has in common with the others, and its place among them.
struct Frame<'m> {
    end: f64,
    marks: &'m [(f64, String)],
    first: bool,
    last: bool,
}

fn draw_panel(area: &Drawing, panel: &Panel, frame: &Frame) -> DrawingResult {
    let (end, last) = (frame.end, frame.last);
    let scale = scale(panel);
    // Marks stand one below the other, or what happens in quick succession could not be read.
    let lines = if frame.first {
        u32::try_from(frame.marks.len().min(3)).unwrap_or(0)
    } else {
        0
    };
    let mut chart = ChartBuilder::on(area)
        .margin_right(px(24))
        .margin_left(px(8))
        .margin_top(px(26 + 15 * lines))
        .x_label_area_size(px(if last { 40 } else { 14 }))
        .y_label_area_size(px(56))
        .build_cartesian_2d(0.0..end, scale.clone())?;
    Scales {
        letters: 15,
        levels: 5,
        numbered: last,
        across: if last { "time, s" } else { "" },
    }
    .draw(&mut chart)?;
    for (number, (when, what)) in frame.marks.iter().enumerate() {
        let line = vec![(*when, scale.start), (*when, scale.end)];
        chart.draw_series(std::iter::once(PathElement::new(line, MARK.stroke_width(px(1)))))?;
        if frame.first {
            let (side, gap) = if *when < 0.7 * end {
                (HPos::Left, 4)
            } else {
                (HPos::Right, -4)
            };
            let style = text_style(13).pos(Pos::new(side, VPos::Top));
            let line = u32::try_from(number).unwrap_or(0) % lines;
            let place = (gap * at(1), -at(15 * (lines - line)));
            let text = Text::new(what.clone(), place, style);
            chart.draw_series(std::iter::once(EmptyElement::at((*when, scale.end)) + text))?;
        }
    }
    for curve in &panel.curves {
        chart.draw_series(LineSeries::new(
            curve.points.iter().copied(),
            curve.colour.stroke_width(px(2)),
        ))?;
    }
    for curve in &panel.curves {
        let style = darker(curve.colour).stroke_width(px(1));
        chart.draw_series(DashedLineSeries::new(
            curve.recorded.iter().copied(),
            px(6),
            px(4),
            style,
        ))?;
    }
    area.draw_text(panel.title, &text_style(17), (at(66), at(5)))?;
    draw_legend(area, panel)
}

/// The names of the lines, from the right; a single line needs none.
fn draw_legend(area: &Drawing, panel: &Panel) -> DrawingResult {
    let recorded = panel.curves.iter().any(|curve| !curve.recorded.is_empty());
    if panel.curves.len() == 1 && !recorded {
        return Ok(());
    }
    let (width, _) = area.dim_in_pixel();
    let mut right = width.cast_signed() - at(24);
    let mut entry = |name: &str, line: ShapeStyle, dashes: &[(u32, u32)]| -> DrawingResult {
        right -= at(36 + 9 * u32::try_from(name.len()).unwrap_or(0));
        for &(from, to) in dashes {
            let line_at = |x| (right + at(x), at(13));
            area.draw(&PathElement::new(vec![line_at(from), line_at(to)], line))?;
        }
        area.draw_text(name, &text_style(15), (right + at(26), at(6)))
    };
    if recorded {
        entry("recorded", INK.stroke_width(px(1)), &[(0, 5), (8, 12), (15, 20)])?;
    }
    for curve in panel.curves.iter().rev() {
        entry(curve.name, curve.colour.stroke_width(px(3)), &[(0, 20)])?;
    }
    Ok(())
}

/// For what was recorded, over the same colour.
fn darker(RGBColor(r, g, b): RGBColor) -> RGBColor {
    RGBColor(r / 2, g / 2, b / 2)
}

/// The values of all curves with some air.
fn scale(panel: &Panel) -> Range<f64> {
    let values = || {
        panel
            .curves
            .iter()
            .flat_map(|curve| curve.points.iter().chain(&curve.recorded))
            .map(|(_, value)| *value)
    };
    let (least, greatest) = (
        values().fold(f64::INFINITY, f64::min),
        values().fold(f64::NEG_INFINITY, f64::max),
    );
    let air = 0.06 * (greatest - least).max(1e-3);
    least - air..greatest + air
}
