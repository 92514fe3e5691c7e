//! How far something goes beyond where it comes to rest, and how long until it stays there.

/// It has settled when it stays within this share of its way of where it comes to rest (the usual 2 % band).
pub const BAND: f64 = 0.02;

/// The two figures of a step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// How far it went beyond its end, share of the way.
    pub beyond: f64,
    /// When it was last outside the band about its end; the first time of all if it never was.
    pub settled: f64,
}

/// Reads them off moments, time and place, of something that goes from one place to another.
pub fn figures(moments: &[(f64, f64)], from: f64, end: f64) -> Step {
    let way = end - from;
    let past = moments.iter().map(|(_, place)| (place - end) / way);
    let outside = moments
        .iter()
        .rposition(|(_, place)| (place - end).abs() > BAND * way.abs());
    let settled = moments.get(outside.map_or(0, |last| last + 1)).or(moments.last());
    Step {
        beyond: past.fold(0.0, f64::max),
        settled: settled.map_or(f64::NAN, |(t, _)| *t),
    }
}
