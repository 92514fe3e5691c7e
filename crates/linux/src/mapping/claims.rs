//! Who has which bit of an image: no two signals stand at the same place.

use std::cell::RefCell;
use std::ops::Range;

/// Which image.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    /// The one that is read.
    Input,
    /// The one that is written.
    Output,
}

/// The bits that have been given away, and to whom.
#[derive(Debug, Default)]
pub(super) struct Claims(RefCell<Vec<(Side, Range<usize>, String)>>);

impl Claims {
    /// Gives bits of an image to a signal. Who has one of them already, if somebody has.
    pub fn claim(&self, side: Side, bits: Range<usize>, who: &str) -> Option<String> {
        let mut given = self.0.borrow_mut();
        let overlaps = |(other, taken, _): &&(Side, Range<usize>, String)| {
            *other == side && taken.start < bits.end && bits.start < taken.end
        };
        let taken = given.iter().find(overlaps).map(|(_, _, who)| who.clone());
        given.push((side, bits, who.to_owned()));
        taken
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_two_that_overlap_the_first_is_named() {
        let claims = Claims::default();
        assert_eq!(claims.claim(Side::Input, 0..16, "first"), None);
        assert_eq!(claims.claim(Side::Output, 0..16, "on the other side"), None);
        assert_eq!(claims.claim(Side::Input, 16..17, "next to it"), None);
        assert_eq!(claims.claim(Side::Input, 15..16, "inside"), Some("first".to_owned()));
        assert_eq!(claims.claim(Side::Input, 16..32, "over"), Some("next to it".to_owned()));
    }
}
