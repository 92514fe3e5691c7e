//! What pictures share: SVG in memory, drawn on a grid finer than a pixel, or slow curves would come out as stairs.

use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// Points to a pixel.
const FINE: u32 = 8;
const FONT: &str = "sans-serif";
/// Lines and letters.
pub const INK: RGBColor = RGBColor(0x33, 0x33, 0x33);

/// Lines of a grid.
pub const FAINT: RGBColor = RGBColor(0xe4, 0xe4, 0xe4);

/// A panel with its scales.
pub type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

/// What is drawn on.
pub type Drawing<'a> = DrawingArea<SVGBackend<'a>, Shift>;
/// Of drawing, which cannot fail in memory.
pub type DrawingResult = Result<(), DrawingAreaErrorKind<std::io::Error>>;

/// A picture of so many pixels as SVG.
///
/// # Panics
/// Never, as long as `draw` fails on nothing but what it draws on.
pub fn svg((width, height): (u32, u32), draw: impl FnOnce(&Drawing) -> DrawingResult) -> String {
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, (px(width), px(height))).into_drawing_area();
        draw(&root).expect("a picture in memory has nothing to fail on");
    }
    let size = |fine: u32| format!("<svg width=\"{}\" height=\"{}\"", width * fine, height * fine);
    svg.replacen(&size(FINE), &size(1), 1)
}

/// Pixels on the fine grid.
pub fn px(pixels: u32) -> u32 {
    pixels * FINE
}

/// The same as a coordinate.
pub fn at(pixels: u32) -> i32 {
    px(pixels).cast_signed()
}

/// Letters of so many pixels, placed by their upper left corner.
pub fn text_style(size: u32) -> TextStyle<'static> {
    TextStyle::from((FONT, px(size)).into_font())
        .color(&INK)
        .pos(Pos::new(HPos::Left, VPos::Top))
}

/// A label without trailing noise.
pub fn plain(value: f64) -> String {
    let rounded = (value * 1e6).round() / 1e6;
    format!("{}", if rounded == 0.0 { 0.0 } else { rounded })
}

/// How the scales of a panel are drawn.
pub struct Scales<'t> {
    /// Size of the letters, pixels.
    pub letters: u32,
    /// Roughly so many numbers up the side.
    pub levels: usize,
    /// Numbers stand along the bottom too.
    pub numbered: bool,
    /// What stands below those.
    pub across: &'t str,
}

impl Scales<'_> {
    /// Draws grid, scales and numbers.
    ///
    /// # Errors
    /// None in memory.
    pub fn draw(&self, chart: &mut Chart) -> DrawingResult {
        chart
            .configure_mesh()
            .light_line_style(TRANSPARENT)
            .bold_line_style(FAINT.stroke_width(px(1)))
            .axis_style(INK.stroke_width(px(1)))
            .set_all_tick_mark_size(px(4))
            .label_style(text_style(self.letters))
            .y_labels(self.levels)
            .x_labels(10)
            .x_label_formatter(&|x| if self.numbered { plain(*x) } else { String::new() })
            .y_label_formatter(&|y| plain(*y))
            .x_desc(self.across)
            .draw()
    }
}
