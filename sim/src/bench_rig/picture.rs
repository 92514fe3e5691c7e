//! A bench's run as a picture: stroke, speed, pressures and spool over time, one panel each.

use std::ops::Range;

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::{Bench, Record};
use crate::plant::rig::Sample;

/// Size of the picture, pixels.
const SIZE: (u32, u32) = (960, 980);
/// Points are drawn on a grid this much finer than a pixel, or slow curves would come out as stairs.
const FINE: u32 = 8;
const FONT: &str = "sans-serif";
/// Two colours that differ in brightness too.
const FIRST: RGBColor = RGBColor(0x0b, 0x53, 0x94);
const SECOND: RGBColor = RGBColor(0xd9, 0x6b, 0x0b);
const FAINT: RGBColor = RGBColor(0xe4, 0xe4, 0xe4);
const INK: RGBColor = RGBColor(0x33, 0x33, 0x33);

type Drawing<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;
type DrawingResult = Result<(), DrawingAreaErrorKind<std::io::Error>>;

/// One line of a panel.
struct Curve {
    name: &'static str,
    colour: RGBColor,
    points: Vec<(f64, f64)>,
}

/// Some curves over one scale.
struct Panel {
    title: &'static str,
    curves: Vec<Curve>,
}

/// Draws a run as SVG.
///
/// # Panics
/// Never: a picture in memory has nothing to fail on.
pub fn picture(bench: &Bench, record: &Record) -> String {
    let mut svg = String::new();
    let (width, height) = SIZE;
    {
        let root = SVGBackend::with_string(&mut svg, (width * FINE, height * FINE)).into_drawing_area();
        draw(&root, bench, record).expect("a picture in memory has nothing to fail on");
    }
    let size = |fine: u32| format!("<svg width=\"{}\" height=\"{}\"", width * fine, height * fine);
    svg.replacen(&size(FINE), &size(1), 1)
}

/// Pixels on the fine grid.
fn px(pixels: u32) -> u32 {
    pixels * FINE
}

/// The same as a coordinate.
fn at(pixels: u32) -> i32 {
    px(pixels).cast_signed()
}

fn draw(root: &Drawing, bench: &Bench, record: &Record) -> DrawingResult {
    root.fill(&WHITE)?;
    let (head, body) = root.split_vertically(px(46));
    head.draw_text(&bench.name, &text_style(23), (at(14), at(14)))?;
    let panels = panels(bench, record);
    for (number, (area, panel)) in body.split_evenly((panels.len(), 1)).iter().zip(&panels).enumerate() {
        draw_panel(area, panel, bench.rig.end, number + 1 == panels.len())?;
    }
    root.present()
}

fn text_style(size: u32) -> TextStyle<'static> {
    TextStyle::from((FONT, px(size)).into_font())
        .color(&INK)
        .pos(Pos::new(HPos::Left, VPos::Top))
}

fn panels(bench: &Bench, record: &Record) -> Vec<Panel> {
    let curve = |name, colour, value: fn(&Sample) -> f64| Curve {
        name,
        colour,
        points: record
            .samples
            .iter()
            .map(|sample| (sample.time, value(sample)))
            .collect(),
    };
    let rig = &bench.rig;
    let mut panels = vec![
        Panel {
            title: "stroke, mm",
            curves: vec![curve("stroke", FIRST, |sample| sample.stroke * 1e3)],
        },
        Panel {
            title: "speed, mm/s",
            curves: vec![curve("speed", FIRST, |sample| sample.speed * 1e3)],
        },
        Panel {
            title: "pressure, bar",
            curves: vec![
                curve("bore side", FIRST, |sample| sample.pressure_a / 1e5),
                curve("rod side", SECOND, |sample| sample.pressure_b / 1e5),
            ],
        },
        Panel {
            title: "spool, share of full travel",
            curves: vec![
                Curve {
                    name: "command",
                    colour: SECOND,
                    points: stairs(&rig.command, rig.end),
                },
                curve("spool", FIRST, |sample| sample.spool),
            ],
        },
    ];
    if rig.load.iter().any(|(_, load)| *load != 0.0) {
        let points = stairs(&rig.load, rig.end)
            .into_iter()
            .map(|(t, load)| (t, load / 1e3))
            .collect();
        panels.push(Panel {
            title: "load against extension, kN",
            curves: vec![Curve {
                name: "load",
                colour: FIRST,
                points,
            }],
        });
    }
    panels
}

/// A programme as a line: zero, then each value from its time on.
fn stairs(programme: &[(f64, f64)], end: f64) -> Vec<(f64, f64)> {
    let mut points = vec![(0.0, 0.0)];
    let mut now = 0.0;
    for &(at, value) in programme {
        points.extend([(at, now), (at, value)]);
        now = value;
    }
    points.push((end, now));
    points
}

fn draw_panel(area: &Drawing, panel: &Panel, end: f64, last: bool) -> DrawingResult {
    let mut chart = ChartBuilder::on(area)
        .margin_right(px(24))
        .margin_left(px(8))
        .margin_top(px(26))
        .x_label_area_size(px(if last { 40 } else { 14 }))
        .y_label_area_size(px(56))
        .build_cartesian_2d(0.0..end, scale(panel))?;
    let label = TextStyle::from((FONT, px(15)).into_font()).color(&INK);
    chart
        .configure_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(FAINT.stroke_width(px(1)))
        .axis_style(INK.stroke_width(px(1)))
        .set_all_tick_mark_size(px(4))
        .label_style(label)
        .y_labels(5)
        .x_labels(10)
        .x_label_formatter(&|t| if last { plain(*t) } else { String::new() })
        .y_label_formatter(&|y| plain(*y))
        .x_desc(if last { "time, s" } else { "" })
        .draw()?;
    for curve in &panel.curves {
        chart.draw_series(LineSeries::new(
            curve.points.iter().copied(),
            curve.colour.stroke_width(px(2)),
        ))?;
    }

    area.draw_text(panel.title, &text_style(17), (at(66), at(5)))?;
    if panel.curves.len() > 1 {
        let (width, _) = area.dim_in_pixel();
        for (curve, place) in panel.curves.iter().rev().zip([110, 220]) {
            let (x, y) = (width.cast_signed() - at(place), at(13));
            area.draw(&PathElement::new(
                vec![(x, y), (x + at(20), y)],
                curve.colour.stroke_width(px(3)),
            ))?;
            area.draw_text(curve.name, &text_style(15), (x + at(26), at(6)))?;
        }
    }
    Ok(())
}

/// The values of all curves with some air.
fn scale(panel: &Panel) -> Range<f64> {
    let values = || {
        panel
            .curves
            .iter()
            .flat_map(|curve| &curve.points)
            .map(|(_, value)| *value)
    };
    let (least, greatest) = (
        values().fold(f64::INFINITY, f64::min),
        values().fold(f64::NEG_INFINITY, f64::max),
    );
    let air = 0.06 * (greatest - least).max(1e-3);
    least - air..greatest + air
}

/// A label without trailing noise.
fn plain(value: f64) -> String {
    let rounded = (value * 1e6).round() / 1e6;
    format!("{}", if rounded == 0.0 { 0.0 } else { rounded })
}
