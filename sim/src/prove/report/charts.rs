//! The pictures of many runs: how figures are spread against the suite's budgets, and clearance against speed.

use maud::{Markup, PreEscaped, html};
use plotters::coord::ranged1d::{AsRangedCoord, ValueFormatter};
use plotters::prelude::*;

use super::spread::{Histogram, Spot, Spread};
use super::tally::OfMachine;
use crate::prove::suite::Limits;
use crate::report::chart::{Failed, LEFT, LETTER_SCALE, LETTERS, WIDTH, ink, sample, themed};

const HEIGHT: u32 = 480;
/// Room for the figures of the lower scale and its name.
const BELOW: u32 = 104;

/// One histogram: what it is of, and one or two kinds of runs, the second standing on the first.
struct Bars<'s> {
    title: &'static str,
    unit: &'static str,
    kinds: Vec<(&'static str, &'s Histogram)>,
    budget: f64,
    budget_name: &'static str,
}

/// The histograms of a machine.
pub fn histograms(spread: &Spread, limits: &Limits, number: usize) -> Markup {
    let all = [
        Bars {
            title: "From fault to notice",
            unit: "ms",
            kinds: vec![
                ("all that was put in shows at once: held to the limit", &spread.noticed),
                (
                    "it shows only when it is asked for: held to none",
                    &spread.noticed_later,
                ),
            ],
            budget: 1e3 * limits.noticed,
            budget_name: "limit of the suite for what shows at once",
        },
        Bars {
            title: "From notice to rest",
            unit: "ms",
            kinds: vec![("runs in which something was noticed and all came to rest", &spread.rest)],
            budget: 1e3 * limits.stopped,
            budget_name: "limit of the suite",
        },
        Bars {
            title: "Way of a tip from notice to rest",
            unit: "mm",
            kinds: vec![("runs in which something was noticed", &spread.travel)],
            budget: 1e3 * limits.travel,
            budget_name: "limit of the suite",
        },
    ];
    html! { @for (place, bars) in all.iter().enumerate() { (histogram(bars, &format!("spread-{number}-{place}"))) } }
}

fn histogram(bars: &Bars, id: &str) -> Markup {
    let drawing = draw_bars(bars).expect("a drawing into memory");
    let told: Vec<_> = bars
        .kinds
        .iter()
        .map(|(name, of)| format!("{name}: {}", in_words(of, bars.unit)))
        .collect();
    let budget = format!("{} at {:.0} {}", bars.budget_name, bars.budget, bars.unit);
    html! {
        figure class="chart" {
            figcaption {
                strong { (bars.title) ", " (bars.unit) }
                @for (number, (name, of)) in bars.kinds.iter().enumerate() {
                    span class="key" { (square(number)) (name) " " small { (in_words(of, bars.unit)) } }
                }
                span class="key" { (sample("mark-fault")) (budget) }
            }
            (picture(id, bars.title, &format!("{}. {budget}.", told.join(". ")), HEIGHT, drawing))
            details {
                summary { "As a table" }
                (table_of(bars))
            }
        }
    }
}

fn table_of(bars: &Bars) -> Markup {
    let some = |bar: &usize| bars.kinds.iter().any(|(_, of)| of.bars[*bar] > 0);
    html! {
        div class="scroll" tabindex="0" role="region" aria-label=(bars.title) {
            table {
                thead { tr {
                    th scope="col" class="figure" { "from, " (bars.unit) }
                    th scope="col" class="figure" { "below, " (bars.unit) }
                    @for (name, _) in &bars.kinds { th scope="col" { "runs: " (name) } }
                } }
                tbody {
                    @for bar in (0..bars.kinds[0].1.bars.len()).filter(some) {
                        tr {
                            td class="figure" { (if bar == 0 { "0".to_owned() } else { rounded(Histogram::from(bar)) }) }
                            td class="figure" { (rounded(Histogram::from(bar + 1))) }
                            @for (_, of) in &bars.kinds { td { (of.bars[bar]) } }
                        }
                    }
                }
            }
        }
    }
}

fn draw_bars(bars: &Bars) -> Result<String, Failed> {
    let sums: Vec<u64> = (0..bars.kinds[0].1.bars.len())
        .map(|bar| bars.kinds.iter().map(|(_, of)| of.bars[bar]).sum())
        .collect();
    let most = sums.iter().max().copied().unwrap_or(0).max(9) as f64;
    let last = sums.iter().rposition(|runs| *runs > 0).map_or(0, |bar| bar + 1);
    let right = Histogram::from(last).max(2.0 * bars.budget);
    // A bar of a single run is to be seen.
    let foot = 0.5;
    let x_name = format!("{}, {}", bars.title.to_lowercase(), bars.unit);
    chart(
        (1.0..right).log_scale(),
        (foot..1.5 * most).log_scale(),
        &x_name,
        "runs",
        &|chart| {
            let mut feet = vec![foot; sums.len()];
            for (kind, (_, of)) in bars.kinds.iter().enumerate() {
                let colour = ink(&format!("bar-{kind}"));
                let some = of.bars.iter().enumerate().filter(|(_, runs)| **runs > 0);
                let boxes: Vec<_> = some
                    .map(|(bar, runs)| {
                        let low = feet[bar];
                        // The foot is no run.
                        let top = if low > foot { low } else { 0.0 } + *runs as f64;
                        feet[bar] = top;
                        Rectangle::new(
                            [(Histogram::from(bar), low), (Histogram::from(bar + 1), top)],
                            colour.filled(),
                        )
                    })
                    .collect();
                chart.draw_series(boxes)?;
            }
            let budget = vec![(bars.budget, foot), (bars.budget, 1.5 * most)];
            chart.draw_series([PathElement::new(budget, ink("mark-fault").stroke_width(5))])?;
            Ok(())
        },
    )
}

/// How near arms came to zones, and how fast the fastest tip was then.
pub fn clearance(machine: &OfMachine, number: usize) -> Markup {
    let spots: Vec<Spot> = machine.spread.spots.values().copied().collect();
    let Some(nearest) = &machine.nearest else {
        return html! { p { "The machine has no zone, or no run says how near an arm came to one." } };
    };
    let runs: u64 = spots.iter().map(|spot| spot.runs).sum();
    let inside: u64 = spots
        .iter()
        .filter(|spot| spot.nearest < 0.0)
        .map(|spot| spot.runs)
        .sum();
    let told = format!(
        "{runs} runs. Nearest: {:.1} mm at {:.0} mm/s, in run {}. {}",
        nearest.nearest_mm.unwrap_or_default(),
        nearest.speed_there_mm_s.unwrap_or_default(),
        nearest.run,
        if inside == 0 {
            "No arm entered a zone."
        } else {
            "Arms entered zones: see the failed runs."
        }
    );
    let drawing = draw_spots(&spots).expect("a drawing into memory");
    html! {
        figure class="chart alone" {
            figcaption {
                strong { "Least distance of an arm to a zone in a run, mm, and speed of the fastest tip at that moment, mm/s" }
                span class="key" { (round()) "runs, the larger the more; in each spot the nearest of them" }
                span class="key" { (cross()) "one of them failed" }
                span class="key" { (sample("mark-fault")) "inside a zone left of this" }
                span { (told) }
            }
            (picture(&format!("clearance-{number}"), "Clearance and speed there", &told, HEIGHT, drawing))
            details {
                summary { "As a table" }
                (nearest_spots(&spots))
            }
        }
    }
}

/// The spots nearest to zones, so many.
const TOLD: usize = 60;

fn nearest_spots(spots: &[Spot]) -> Markup {
    let mut spots = spots.to_vec();
    spots.sort_by(|a, b| a.nearest.total_cmp(&b.nearest));
    html! {
        @if spots.len() > TOLD { p class="note" { "The nearest " (TOLD) " of " (spots.len()) " spots." } }
        div class="scroll" tabindex="0" role="region" aria-label="Clearance" {
            table {
                thead { tr { @for heading in ["nearest, mm", "speed there, mm/s", "runs about there", "failed"] { th scope="col" class="figure" { (heading) } } } }
                tbody {
                    @for spot in spots.iter().take(TOLD) {
                        tr {
                            td class="figure" { (format!("{:.1}", spot.nearest)) } td class="figure" { (format!("{:.0}", spot.speed)) }
                            td class="figure" { (spot.runs) } td class="figure" { (spot.failed) }
                        }
                    }
                }
            }
        }
    }
}

fn draw_spots(spots: &[Spot]) -> Result<String, Failed> {
    let of = |value: fn(&Spot) -> f64| {
        spots
            .iter()
            .map(value)
            .fold((0.0, 0.0), |(l, h): (f64, f64), v| (l.min(v), h.max(v)))
    };
    let (near, fast) = (of(|spot| spot.nearest), of(|spot| spot.speed));
    let (width, height) = ((near.1 - near.0).max(10.0), fast.1.max(10.0));
    let (left, right) = (near.0 - 0.05 * width, near.1 + 0.05 * width);
    let (x_name, y_name) = ("least distance to a zone, mm", "mm/s");
    chart(left..right, -0.08 * height..1.1 * height, x_name, y_name, &|chart| {
        let line = vec![(0.0, -0.08 * height), (0.0, 1.1 * height)];
        chart.draw_series([PathElement::new(line, ink("mark-fault").stroke_width(5))])?;
        let size = |spot: &Spot| i32::try_from(6 + 2 * spot.runs.ilog2()).unwrap_or(i32::MAX);
        let rings = spots
            .iter()
            .map(|spot| Circle::new((spot.nearest, spot.speed), size(spot), ink("line-0").stroke_width(3)));
        chart.draw_series(rings)?;
        let failed = spots.iter().filter(|spot| spot.failed > 0);
        chart.draw_series(
            failed.map(|spot| Cross::new((spot.nearest, spot.speed), 12, ink("mark-fault").stroke_width(4))),
        )?;
        Ok(())
    })
}

type Drawn<'c, X, Y> = ChartContext<'c, SVGBackend<'c>, Cartesian2d<X, Y>>;

type Inside<'i, X, Y> = dyn Fn(&mut Drawn<X, Y>) -> Result<(), Failed> + 'i;

/// Axes with their names and figures, and what `inside` draws on them.
fn chart<X, Y>(
    x: X,
    y: Y,
    x_name: &str,
    y_name: &str,
    inside: &Inside<X::CoordDescType, Y::CoordDescType>,
) -> Result<String, Failed>
where
    X: AsRangedCoord<Value = f64>,
    Y: AsRangedCoord<Value = f64>,
    X::CoordDescType: ValueFormatter<f64> + Ranged<ValueType = f64>,
    Y::CoordDescType: ValueFormatter<f64> + Ranged<ValueType = f64>,
{
    let mut text = String::new();
    {
        let root = SVGBackend::with_string(&mut text, (WIDTH, HEIGHT)).into_drawing_area();
        let style = ("sans-serif", f64::from(LETTERS) * LETTER_SCALE)
            .into_font()
            .color(&ink("text"));
        let mut chart = ChartBuilder::on(&root)
            .margin_top(24)
            .margin_right(40)
            .x_label_area_size(BELOW)
            .y_label_area_size(LEFT + 40)
            .build_cartesian_2d(x, y)?;
        chart
            .configure_mesh()
            .x_labels(8)
            .y_labels(5)
            .x_desc(x_name)
            .y_desc(y_name)
            .x_label_formatter(&|value| rounded(*value))
            .y_label_formatter(&|value| rounded(*value))
            .light_line_style(TRANSPARENT)
            .bold_line_style(ink("grid"))
            .axis_style(ink("grid"))
            .label_style(style.clone())
            .axis_desc_style(style)
            .draw()?;
        inside(&mut chart)?;
        root.present()?;
    }
    let inside = text.split_once('>').map_or("", |(_, inside)| inside);
    Ok(themed(inside.trim_end().trim_end_matches("</svg>")))
}

fn picture(id: &str, title: &str, told: &str, height: u32, drawing: String) -> Markup {
    html! {
        svg viewBox=(format!("0 0 {WIDTH} {height}")) role="img" aria-labelledby={ (id) "-title " (id) "-desc" } {
            title id={ (id) "-title" } { (title) }
            desc id={ (id) "-desc" } { (told) }
            (PreEscaped(drawing))
        }
    }
}

fn in_words(of: &Histogram, unit: &str) -> String {
    let all = of.all();
    if all == 0 {
        return "no run".to_owned();
    }
    let mut so_far = 0;
    let half = of.bars.iter().position(|runs| {
        so_far += runs;
        2 * so_far >= all
    });
    let middle = half.map_or(0.0, |bar| Histogram::from(bar + 1));
    format!(
        "{all} runs, half of them up to {} {unit}, greatest {:.0} {unit}",
        rounded(middle),
        of.greatest
    )
}

/// A figure to the two or three digits that bars and scales deserve.
fn rounded(value: f64) -> String {
    let digits = usize::from(value.abs() < 10.0 && value.fract() != 0.0);
    format!("{value:.digits$}")
}

fn square(kind: usize) -> Markup {
    html! { svg class="sample" viewBox="0 0 64 16" aria-hidden="true" { rect class={ "fill-bar-" (kind) } width="64" height="16" {} } }
}

fn round() -> Markup {
    html! { svg class="sample" viewBox="0 0 64 16" aria-hidden="true" { circle class="stroke-line-0" fill="none" stroke-width="2.5" cx="32" cy="8" r="6" {} } }
}

fn cross() -> Markup {
    html! {
        svg class="sample" viewBox="0 0 64 16" aria-hidden="true" {
            path class="stroke-mark-fault" fill="none" stroke-width="3" d="M25,1L39,15M39,1L25,15" {}
        }
    }
}
