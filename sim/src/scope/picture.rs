//! A capture as a picture: the first periods, the duty over time with the rests in it, and the duty over the lever.

use std::ops::Range;

use plotters::prelude::*;

use super::lever::LeverMap;
use super::{Scoped, short};
use crate::drawing::{self, Chart, Drawing, DrawingResult, Scales, at, px, text_style};

/// Width of the picture, and heights of its head and of a panel, pixels.
const WIDTH: u32 = 960;
const HEAD: u32 = 46;
const PANEL: u32 = 250;
/// Two colours that differ in brightness too.
const LINE: RGBColor = RGBColor(0x0b, 0x53, 0x94);
const REST: RGBColor = RGBColor(0xd9, 0x6b, 0x0b);
const SPREAD: RGBColor = RGBColor(0xa9, 0xc4, 0xe0);
const BAND: RGBColor = RGBColor(0xf3, 0xe3, 0xd2);

/// A panel's frame.
struct Frame<'a> {
    title: &'a str,
    across: &'a str,
    x: Range<f64>,
    y: Range<f64>,
}

/// Draws a capture as SVG.
///
/// # Panics
/// Never: a picture in memory has nothing to fail on.
pub fn picture(scoped: &Scoped) -> String {
    let panels = 2 + u32::from(scoped.lever.is_some());
    drawing::svg((WIDTH, HEAD + panels * PANEL), |root| draw(root, scoped))
}

fn draw(root: &Drawing, scoped: &Scoped) -> DrawingResult {
    root.fill(&WHITE)?;
    let (head, body) = root.split_vertically(px(HEAD));
    head.draw_text(&title(scoped), &text_style(21), (at(14), at(14)))?;
    let panels = body.split_evenly((2 + usize::from(scoped.lever.is_some()), 1));
    signal(&panels[0], scoped)?;
    over_time(&panels[1], scoped)?;
    if let (Some(panel), Some(lever)) = (panels.get(2), &scoped.lever) {
        over_lever(panel, lever)?;
    }
    root.present()
}

fn title(scoped: &Scoped) -> String {
    let name = scoped.file.rsplit(['/', '\\']).next().unwrap_or_default();
    let wrong = match scoped.troubles.len() {
        0 => String::new(),
        1 => ", 1 thing wrong".to_owned(),
        many => format!(", {many} things wrong"),
    };
    format!(
        "{name}: {} Hz, duty {} to {} %{wrong}",
        short(1.0 / scoped.period.mean),
        short(100.0 * scoped.duty.least),
        short(100.0 * scoped.duty.greatest)
    )
}

/// The first periods, as they were captured, with both levels.
fn signal(area: &Drawing, scoped: &Scoped) -> DrawingResult {
    let points: Vec<_> = scoped.excerpt.points().collect();
    let (low, high) = (scoped.levels.low, scoped.levels.high);
    let bounds = points.iter().fold((low, high), |(least, most), point| {
        (least.min(point.1), most.max(point.2))
    });
    let room = 0.08 * (bounds.1 - bounds.0);
    let end = points.last().map_or(1.0, |point| point.0).max(f64::MIN_POSITIVE);
    let frame = Frame {
        title: "signal from its first rise on, V; dashed: the two levels",
        across: "time, ms",
        x: 0.0..1e3 * end,
        y: bounds.0 - room..bounds.1 + room,
    };
    let changes_only = scoped.levels.changes_only;
    let mut before = None;
    let line = points.iter().flat_map(|&(time, least, greatest)| {
        // A list of changes has corners; a piece with an edge in it is drawn from the end that is nearer to what came before.
        let corner = before.filter(|_| changes_only).map(|volt| (1e3 * time, volt));
        let up = before.is_none_or(|volt: f64| (volt - least).abs() <= (volt - greatest).abs());
        let (one, other) = if up { (least, greatest) } else { (greatest, least) };
        before = Some(other);
        corner.into_iter().chain([(1e3 * time, one), (1e3 * time, other)])
    });
    let line: Vec<_> = line.collect();
    chart(area, &frame, &[low, high], &[], |draw| draw.line(line.clone(), LINE))
}

/// The duty of all periods; the rests of the lever shaded.
fn over_time(area: &Drawing, scoped: &Scoped) -> DrawingResult {
    let pieces: Vec<_> = scoped
        .track
        .pieces()
        .map(|(from, until, duty)| (f64::midpoint(from, until), duty))
        .collect();
    let percent = |duty: f64| 100.0 * duty;
    let (least, greatest) = (percent(scoped.duty.least), percent(scoped.duty.greatest));
    let room = (0.08 * (greatest - least)).max(0.5);
    let (from, until) = (
        pieces.first().map_or(0.0, |piece| piece.0),
        pieces.last().map_or(1.0, |piece| piece.0),
    );
    let frame = Frame {
        title: if scoped.lever.is_some() {
            "duty, percent; shaded: the lever at rest"
        } else {
            "duty, percent"
        },
        across: "time, s",
        x: from..until.max(from + f64::EPSILON),
        y: (least - room)..(greatest + room),
    };
    let rests = scoped.lever.iter().flat_map(|lever| &lever.rests);
    let shaded: Vec<_> = rests
        .map(|rest| (rest.from_s.max(from), rest.until_s.min(until)))
        .collect();
    chart(area, &frame, &[], &shaded, |draw| {
        draw.line(
            pieces
                .iter()
                .flat_map(|(time, duty)| [(*time, percent(duty.least)), (*time, percent(duty.greatest))])
                .collect(),
            SPREAD,
        )?;
        draw.line(
            pieces.iter().map(|(time, duty)| (*time, percent(duty.mean))).collect(),
            LINE,
        )
    })
}

/// Duty over the lever: the rests, the lines through them, what is proposed as dashes.
fn over_lever(area: &Drawing, lever: &LeverMap) -> DrawingResult {
    let percent = |duty: f64| 100.0 * duty;
    let channel = lever.channel;
    let proposed = [channel.band[0], channel.neutral, channel.band[1]].map(percent);
    let mut points: Vec<_> = lever
        .rests
        .iter()
        .filter_map(|rest| Some((rest.lever?, percent(rest.duty))))
        .collect();
    points.sort_by(|one, other| one.partial_cmp(other).unwrap_or(std::cmp::Ordering::Equal));
    let room = 0.08 * (proposed[2] - proposed[0]);
    let frame = Frame {
        title: "duty, percent, over the lever; dashed: what is proposed",
        across: "lever: -1 full retract, 0 neutral, 1 full extend",
        x: -1.1..1.1,
        y: proposed[0] - room..proposed[2] + room,
    };
    chart(area, &frame, &proposed, &[], |draw| {
        draw.line(points.clone(), LINE)?;
        draw.points(&points, REST)
    })
}

/// What a panel is drawn with.
struct Pen<'a, 'b> {
    chart: &'a mut Chart<'b, 'b>,
}

impl Pen<'_, '_> {
    fn line(&mut self, points: Vec<(f64, f64)>, colour: RGBColor) -> DrawingResult {
        self.chart
            .draw_series(LineSeries::new(points, colour.stroke_width(px(2))))?;
        Ok(())
    }

    fn points(&mut self, points: &[(f64, f64)], colour: RGBColor) -> DrawingResult {
        let dots = points.iter().map(|point| Circle::new(*point, px(5), colour.filled()));
        self.chart.draw_series(dots)?;
        Ok(())
    }
}

/// A frame with its scales, shaded spans, dashed levels, and what is drawn in it.
fn chart(
    area: &Drawing,
    frame: &Frame,
    dashed: &[f64],
    shaded: &[(f64, f64)],
    draw: impl FnOnce(&mut Pen) -> DrawingResult,
) -> DrawingResult {
    let mut chart = ChartBuilder::on(area)
        .margin_right(px(24))
        .margin_left(px(8))
        .margin_top(px(30))
        .x_label_area_size(px(44))
        .y_label_area_size(px(56))
        .build_cartesian_2d(frame.x.clone(), frame.y.clone())?;
    chart.draw_series(
        shaded
            .iter()
            .filter(|span| span.0 < span.1)
            .map(|span| Rectangle::new([(span.0, frame.y.start), (span.1, frame.y.end)], BAND.filled())),
    )?;
    Scales {
        letters: 15,
        levels: 6,
        numbered: true,
        across: frame.across,
    }
    .draw(&mut chart)?;
    for level in dashed {
        let line = [(frame.x.start, *level), (frame.x.end, *level)];
        chart.draw_series(DashedLineSeries::new(line, px(8), px(6), REST.stroke_width(px(1))))?;
    }
    draw(&mut Pen { chart: &mut chart })?;
    area.draw_text(frame.title, &text_style(17), (at(66), at(6)))
}
