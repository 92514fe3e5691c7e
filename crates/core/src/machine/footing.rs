//! What the arms stand on.

use heapless::Vec;

use super::{finite, positive};
use crate::math;

/// Most corners of what touches the ground.
pub const CORNERS_MAX: usize = 8;

/// The carrier on level ground, seen from above.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Footing {
    /// Mass with everything on it, the arms' links left out, kg.
    pub mass: f32,
    /// Its centre of mass, m.
    pub centre: [f32; 2],
    /// Corners of the convex polygon that touches the ground, counter-clockwise, m.
    pub support: Vec<[f32; 2], CORNERS_MAX>,
    /// What must be left of the moment that holds the machine about each edge: a share of what the carrier alone has there.
    pub tip_margin: f32,
}

/// An edge that the machine could tip over.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Edge {
    /// A point of it, m.
    pub start: [f32; 2],
    /// Unit vector square to it, towards the inside.
    pub inward: [f32; 2],
}

impl Footing {
    /// The edges of the support.
    pub fn edges(&self) -> impl Iterator<Item = Edge> + '_ {
        let ends = self.support.iter().cycle().skip(1);
        self.support.iter().zip(ends).map(|(start, end)| {
            let [x, y] = [end[0] - start[0], end[1] - start[1]];
            let length = math::hypot(x, y);
            Edge {
                start: *start,
                inward: [-y / length, x / length],
            }
        })
    }

    /// The carrier stands within its support, and every edge has a length.
    pub(super) fn usable(&self) -> bool {
        positive(self.mass)
            && finite(&self.centre)
            && self.support.len() > 2
            && self.tip_margin >= 0.0
            && self.tip_margin < 1.0
            && self.edges().all(|edge| positive(edge.inside(self.centre)))
    }
}

impl Edge {
    /// How far inside of the edge a point is, m; below 0 outside.
    pub fn inside(&self, [x, y]: [f32; 2]) -> f32 {
        (x - self.start[0]) * self.inward[0] + (y - self.start[1]) * self.inward[1]
    }
}
