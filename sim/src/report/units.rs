//! From SI to what people read: millimetres, bar, degrees.

use bellcrank_machine::description::{Axis, Linkage};

/// Millimetres in a metre.
pub const MM: f64 = 1e3;

/// Bar in a pascal.
pub const BAR: f64 = 1e-5;

/// How an axis's stroke is shown: factor from SI, and the unit. A motor on the joint has an angle for a stroke.
pub fn stroke_unit(axis: &Axis) -> (f64, &'static str) {
    match axis.linkage {
        Linkage::Direct { .. } => (1.0_f64.to_degrees(), "deg"),
        _ => (MM, "mm"),
    }
}
