//! What pictures share: SVG in memory, drawn on a grid finer than a pixel, or slow curves would come out as stairs.

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// Points to a pixel.
const FINE: u32 = 8;
const FONT: &str = "sans-serif";
/// Lines and letters.
pub const INK: RGBColor = RGBColor(0x33, 0x33, 0x33);

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
