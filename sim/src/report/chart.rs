//! One chart: a few lines over time, with the moments of the rehearsal marked.
//!
//! Drawn by `plotters`, in colours that only name what they are for: each is then replaced by a class of the page's style sheet, so
//! that one drawing serves light, dark and paper. Charts are drawn at twice the size of a narrow page, for finer lines.

use maud::{Markup, PreEscaped, html};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::moments::Moment;

/// Width of every chart, in its own units.
pub const WIDTH: u32 = 1280;
/// Where the time axis of every chart begins.
pub const LEFT: u32 = 120;
/// Where it ends.
pub const RIGHT: u32 = WIDTH - 24;
/// Size of the letters in charts.
pub const LETTERS: u32 = 36;

const HEIGHT: u32 = 340;
/// Room above the lines for the letters of the marks.
const ABOVE: u32 = 48;
/// Room below the lines for the time.
const BELOW: u32 = 52;
/// `plotters` writes a size of letters as this many times what it is given.
pub const LETTER_SCALE: f64 = 1.24;

/// What a chart shows.
pub struct Panel {
    /// What it is about.
    pub title: String,
    /// The unit of its figures.
    pub unit: &'static str,
    /// Its lines.
    pub series: Vec<Series>,
    /// A value worth a line of its own.
    pub level: Option<Level>,
}

/// One line.
pub struct Series {
    /// What it is.
    pub name: String,
    /// Time, s, and value.
    pub values: Vec<(f64, f64)>,
}

/// A constant to compare with.
#[derive(Clone, Copy)]
pub struct Level {
    /// Where.
    pub at: f64,
    /// What it means.
    pub name: &'static str,
}

impl Panel {
    /// What of it lies between two times.
    fn between(&self, window: (f64, f64)) -> Self {
        let within = |line: &Series| {
            line.values
                .iter()
                .copied()
                .filter(|(t, _)| (window.0..=window.1).contains(t))
                .collect()
        };
        let series = self
            .series
            .iter()
            .map(|line| Series {
                name: line.name.clone(),
                values: within(line),
            })
            .collect();
        Self {
            title: self.title.clone(),
            unit: self.unit,
            series,
            level: self.level,
        }
    }
}

/// The chart with its legend, drawn for each of the windows of time. The key figures are those of the first, which is the widest.
pub fn figure(panel: &Panel, windows: &[(f64, f64)], moments: &[Moment]) -> Markup {
    html! {
        figure class="chart" {
            figcaption {
                strong { (panel.title) ", " (panel.unit) }
                @for (number, line) in panel.series.iter().enumerate() {
                    span class="key" { (sample(&format!("line-{number}"))) (line.name) " " small { (range(line)) } }
                }
                @if let Some(level) = &panel.level {
                    span class="key" { (sample("level")) (level.name) }
                }
            }
            div class="windows" {
                @for &window in windows { (drawing(&panel.between(window), window, &within(moments, window))) }
            }
        }
    }
}

/// The moments that lie in a window of time.
pub fn within(moments: &[Moment], window: (f64, f64)) -> Vec<Moment> {
    moments
        .iter()
        .copied()
        .filter(|moment| (window.0..=window.1).contains(&moment.t))
        .collect()
}

fn drawing(panel: &Panel, window: (f64, f64), moments: &[Moment]) -> Markup {
    let drawing = draw(panel, window, moments).expect("a drawing into memory");
    let told: Vec<_> = panel
        .series
        .iter()
        .map(|line| format!("{}: {}", line.name, range(line)))
        .collect();
    let (title, unit) = (&panel.title, panel.unit);
    let alternative = format!(
        "{title}, {unit}, from {:.2} to {:.2} s. {}.",
        window.0,
        window.1,
        told.join("; ")
    );
    html! {
        svg viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) role="img" aria-label=(alternative) { (PreEscaped(drawing)) }
    }
}

/// A short piece of a line, for a legend.
pub fn sample(ink: &str) -> Markup {
    html! {
        svg class="sample" viewBox="0 0 64 16" aria-hidden="true" {
            line class=(format!("stroke-{ink}")) x1="2" y1="8" x2="62" y2="8" stroke-width="5" {}
        }
    }
}

/// Where the letters of marks go, so that none covers another: over its mark, or as near after it as the one before leaves room.
pub fn letters(moments: &[Moment], x: impl Fn(f64) -> f64) -> Vec<(f64, char)> {
    let mut free = f64::NEG_INFINITY;
    moments
        .iter()
        .filter_map(|moment| {
            let at = x(moment.t).max(free);
            free = at + f64::from(LETTERS);
            Some((at, moment.kind.letter()?))
        })
        .collect()
}

/// Where a time is in a chart.
pub fn x_of(t: f64, window: (f64, f64)) -> f64 {
    f64::from(LEFT) + f64::from(RIGHT - LEFT) * (t - window.0) / (window.1 - window.0)
}

/// Least and greatest value, with when first.
fn range(line: &Series) -> String {
    let first = |better: fn(f64, f64) -> bool| {
        line.values
            .iter()
            .copied()
            .reduce(|a, b| if better(b.1, a.1) { b } else { a })
    };
    let (Some(low), Some(high)) = (first(|a, b| a < b), first(|a, b| a > b)) else {
        return "no figures".to_string();
    };
    let digits = decimals(low.1.abs().max(high.1.abs()));
    let (least, greatest) = (format!("{:.digits$}", low.1), format!("{:.digits$}", high.1));
    if least == greatest {
        format!("{least} throughout")
    } else {
        format!(
            "least {least} at {:.2} s, greatest {greatest} at {:.2} s",
            low.0, high.0
        )
    }
}

/// Decimals that figures of this size deserve.
fn decimals(size: f64) -> usize {
    match size {
        s if s >= 20.0 => 0,
        s if s >= 2.0 => 1,
        s if s > 0.0 => 2,
        _ => 0,
    }
}

/// The colours that `plotters` is given: the numbers of these.
const INKS: [&str; 12] = [
    "text",
    "grid",
    "level",
    "line-0",
    "line-1",
    "line-2",
    "line-3",
    "mark-fault",
    "mark-noticed",
    "mark-rest",
    "bar-0",
    "bar-1",
];

/// The colour that stands for an ink until [`themed`].
pub fn ink(name: &str) -> RGBColor {
    let number = INKS.iter().position(|known| *known == name).unwrap_or_default();
    RGBColor(0, 0, u8::try_from(number + 1).unwrap_or(u8::MAX))
}

/// Replaces the colours by classes.
pub fn themed(drawing: &str) -> String {
    let mut drawing = drawing
        .replace(" opacity=\"1\"", "")
        .replace(" font-family=\"sans-serif\"", "");
    for name in INKS {
        let RGBColor(r, g, b) = ink(name);
        let colour = format!("=\"#{r:02X}{g:02X}{b:02X}\"");
        drawing = drawing
            .replace(&format!("stroke{colour}"), &format!("class=\"stroke-{name}\""))
            .replace(&format!("fill{colour}"), &format!("class=\"fill-{name}\""));
    }
    drawing
}

/// What drawing can fail with: into memory it does not.
pub type Failed = DrawingAreaErrorKind<<SVGBackend<'static> as DrawingBackend>::ErrorType>;

/// What stands inside the chart's `svg` element.
fn draw(panel: &Panel, window: (f64, f64), moments: &[Moment]) -> Result<String, Failed> {
    let mut text = String::new();
    {
        let root = SVGBackend::with_string(&mut text, (WIDTH, HEIGHT)).into_drawing_area();
        let (low, high) = bounds(panel);
        let style = ("sans-serif", f64::from(LETTERS) * LETTER_SCALE).into_font();
        let mut chart = ChartBuilder::on(&root)
            .margin_top(ABOVE)
            .margin_right(WIDTH - RIGHT)
            .x_label_area_size(BELOW)
            .y_label_area_size(LEFT)
            .build_cartesian_2d(window.0..window.1, low..high)?;
        let digits = decimals(high - low);
        chart
            .configure_mesh()
            .x_labels(10)
            .y_labels(5)
            .x_label_formatter(&|t| format!("{t:.*} s", decimals(4.0 * (window.1 - window.0))))
            .y_label_formatter(&|value| format!("{value:.digits$}"))
            .light_line_style(TRANSPARENT)
            .bold_line_style(ink("grid"))
            .axis_style(ink("grid"))
            .label_style(style.clone().color(&ink("text")))
            .draw()?;
        let across = |at| vec![(window.0, at), (window.1, at)];
        if let Some(level) = &panel.level {
            chart.draw_series([PathElement::new(across(level.at), ink("level").stroke_width(3))])?;
        }
        for moment in moments.iter().filter(|moment| moment.kind.letter().is_some()) {
            let colour = ink(&format!("mark-{}", moment.kind.class()));
            chart.draw_series([PathElement::new(
                vec![(moment.t, low), (moment.t, high)],
                colour.stroke_width(4),
            )])?;
        }
        for (number, line) in panel.series.iter().enumerate() {
            let colour = ink(&format!("line-{number}"));
            chart.draw_series(LineSeries::new(thinned(&line.values, window), colour.stroke_width(4)))?;
        }
        let style = style.color(&ink("text")).pos(Pos::new(HPos::Center, VPos::Top));
        for (x, letter) in letters(moments, |t| x_of(t, window)) {
            #[allow(clippy::cast_possible_truncation, reason = "within the chart")]
            root.draw_text(&letter.to_string(), &style, (x as i32, 6))?;
        }
        root.present()?;
    }
    let inside = text
        .split_once('>')
        .map_or("", |(_, inside)| inside)
        .trim_end()
        .trim_end_matches("</svg>");
    Ok(themed(inside))
}

/// Least and greatest value that the chart has room for: those of its lines and its level, and zero.
fn bounds(panel: &Panel) -> (f64, f64) {
    let values = panel
        .series
        .iter()
        .flat_map(|line| line.values.iter().map(|&(_, value)| value));
    let (low, high) = values
        .chain(panel.level.as_ref().map(|level| level.at))
        .fold((0.0_f64, 0.0_f64), |(low, high), value| {
            (low.min(value), high.max(value))
        });
    let room = 0.06 * (high - low).max(1e-3);
    (if low < 0.0 { low - room } else { 0.0 }, high + room)
}

/// What two units of width can show: in each, the least and the greatest value.
fn thinned(values: &[(f64, f64)], window: (f64, f64)) -> Vec<(f64, f64)> {
    let columns = f64::from((RIGHT - LEFT) / 2);
    let column = |t: f64| (columns * (t - window.0) / (window.1 - window.0)).floor();
    values
        .chunk_by(|a, b| column(a.0) == column(b.0))
        .flat_map(|same| {
            let by_value = |a: &&(f64, f64), b: &&(f64, f64)| a.1.total_cmp(&b.1);
            let mut ends = [same.iter().min_by(by_value), same.iter().max_by(by_value)];
            ends.sort_by(|a, b| {
                a.map(|p| p.0)
                    .partial_cmp(&b.map(|p| p.0))
                    .unwrap_or(std::cmp::Ordering::Equal)
            });
            let once = if ends[0] == ends[1] { 1 } else { 2 };
            ends.into_iter().flatten().copied().take(once)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::moments::Kind;

    #[test]
    fn thinning_keeps_every_peak_and_the_order() {
        let values: Vec<_> = (0..30_000)
            .map(|i| (1e-3 * f64::from(i), if i == 12_345 { 9.0 } else { f64::from(i % 7) }))
            .collect();
        let thin = thinned(&values, (0.0, 30.0));
        assert!(thin.len() <= 1140);
        assert!(thin.iter().any(|&(_, value)| value == 9.0));
        assert!(thin.windows(2).all(|pair| pair[0].0 < pair[1].0));
    }

    #[test]
    fn letters_of_moments_close_together_do_not_cover_each_other() {
        let moments =
            [(4.0, Kind::Fault), (4.02, Kind::Noticed), (4.2, Kind::Rest)].map(|(t, kind)| Moment { t, kind });
        let placed = letters(&moments, |t| x_of(t, (0.0, 10.0)));
        assert!(
            placed
                .windows(2)
                .all(|pair| pair[1].0 - pair[0].0 >= f64::from(LETTERS))
        );
        assert_eq!(placed[0].0, x_of(4.0, (0.0, 10.0)));
    }

    #[test]
    fn colours_are_left_to_the_style_sheet() {
        let panel = Panel {
            title: "Speed".into(),
            unit: "mm/s",
            series: vec![Series {
                name: "left".into(),
                values: vec![(0.0, 0.0), (1.0, 5.0)],
            }],
            level: Some(Level { at: 2.0, name: "slow" }),
        };
        let moments = [Moment {
            t: 0.5,
            kind: Kind::Fault,
        }];
        let drawing = draw(&panel, (0.0, 1.0), &moments).unwrap();
        assert!(!drawing.contains('#') && !drawing.contains("svg"), "{drawing}");
        for ink in [
            "stroke-line-0",
            "stroke-level",
            "stroke-mark-fault",
            "fill-text",
            "stroke-grid",
        ] {
            assert!(drawing.contains(ink), "{ink}");
        }
    }
}
