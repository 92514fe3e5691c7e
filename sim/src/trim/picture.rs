//! The gain curves of a valve as they were found, drawn.

use plotters::prelude::*;

use super::estimate::Identified;
use crate::drawing::{DrawingResult, INK, px, svg, text_style};

const SIZE: (u32, u32) = (720, 420);
/// Extending and retracting, apart also for who sees no red and green.
const WAYS: [RGBColor; 2] = [RGBColor(0x1f, 0x5f, 0xa8), RGBColor(0xc4, 0x5a, 0x00)];

/// Rate over command, both ways, with the interval of each knot; what was only carried on is drawn thin.
pub fn curves(found: &Identified) -> String {
    let scale = if found.unit == "deg" { 1_f64.to_degrees() } else { 1e3 };
    let top = found.curves.iter().map(|curve| curve.full_rate).fold(0.0, f64::max) * scale * 1.05;
    let draw = |root: &crate::drawing::Drawing| -> DrawingResult {
        root.fill(&WHITE)?;
        let mut chart = ChartBuilder::on(root)
            .margin(px(12))
            .caption(
                format!("{}: rate over command, {}/s", found.axis, found.unit),
                text_style(16),
            )
            .x_label_area_size(px(34))
            .y_label_area_size(px(52))
            .build_cartesian_2d(-1.0..1.0, -top..top)?;
        let configure = &mut chart.configure_mesh();
        configure
            .x_desc("command (right: extend, blue; left: retract, orange)")
            .label_style(text_style(12))
            .light_line_style(TRANSPARENT)
            .bold_line_style(INK.mix(0.15).stroke_width(px(1)))
            .axis_style(INK.stroke_width(px(1)))
            .draw()?;
        for ((curve, sign), colour) in found.curves.iter().zip([1.0, -1.0]).zip(WAYS) {
            let at = |command: f64, rate: f64| (sign * command, sign * scale * rate);
            let mut measured = vec![at(0.0, 0.0), at(curve.deadband, 0.0)];
            measured.extend(curve.knots.iter().map(|knot| at(knot.command, knot.rate.value)));
            let last = measured[measured.len() - 1];
            chart.draw_series(LineSeries::new(measured, colour.stroke_width(px(3))))?;
            chart.draw_series(LineSeries::new(
                [last, at(1.0, curve.full_rate)],
                colour.stroke_width(px(1)),
            ))?;
            for knot in &curve.knots {
                let ends = [at(knot.command, knot.rate.low), at(knot.command, knot.rate.high)];
                chart.draw_series(LineSeries::new(ends, INK.stroke_width(px(2))))?;
                chart.draw_series([Circle::new(at(knot.command, knot.rate.value), px(3), colour.filled())])?;
            }
        }
        Ok(())
    };
    svg(SIZE, draw)
}
