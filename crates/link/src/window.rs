//! Which sequence numbers have come: no frame is taken twice, none after a newer one.

use crate::refused::Refused;

/// How far back it is known which numbers have come. Further back, a frame is taken for a repetition.
const SPAN: u32 = u64::BITS;

/// The newest sequence number that was taken, and which of those before it have come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Window {
    newest: u32,
    /// Bit `i` stands for the number `newest - 1 - i`.
    came: u64,
}

impl Window {
    /// Takes a number, and says how many were passed over. Numbers start at 1; only one above all before it is taken.
    pub fn take(&mut self, number: u32) -> Result<u32, Refused> {
        if let Some(step) = number.checked_sub(self.newest).filter(|step| *step > 0) {
            // The one that was newest is to be remembered as well, if there was one.
            let with_newest = if self.newest == 0 {
                0
            } else {
                (self.came << 1).wrapping_add(1)
            };
            let further = step.saturating_sub(1);
            self.came = with_newest.checked_shl(further).unwrap_or(0);
            self.newest = number;
            return Ok(further);
        }
        let Some(back) = self.newest.checked_sub(number).and_then(|back| back.checked_sub(1)) else {
            return Err(Refused::Repeated);
        };
        let mask = 1_u64.checked_shl(back).unwrap_or(0);
        if number == 0 || back >= SPAN || self.came & mask != 0 {
            return Err(Refused::Repeated);
        }
        self.came |= mask;
        Err(Refused::OutOfOrder)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Against a set of all that came.
        #[test]
        fn no_number_is_taken_twice_or_after_a_newer_one(
            steps in prop::collection::vec(prop_oneof![4 => -3_i64..6, 2 => -70_i64..70, 1 => -400_i64..400], 1..300),
        ) {
            let (mut window, mut came, mut at) = (Window::default(), BTreeSet::new(), 0_i64);
            for step in steps {
                at = (at + step).max(0);
                let number = u32::try_from(at).unwrap();
                let newest = came.last().copied().unwrap_or(0);
                let expected = if number > newest {
                    Ok(number - newest - 1)
                } else if number == 0 || came.contains(&number) || newest - number > SPAN {
                    Err(Refused::Repeated)
                } else {
                    Err(Refused::OutOfOrder)
                };
                prop_assert_eq!(window.take(number), expected);
                came.insert(number);
            }
        }
    }

    #[test]
    fn the_last_number_is_one_like_others() {
        let mut window = Window::default();
        assert_eq!(window.take(u32::MAX), Ok(u32::MAX - 1));
        assert_eq!(window.take(u32::MAX), Err(Refused::Repeated));
        assert_eq!(window.take(u32::MAX - 64), Err(Refused::OutOfOrder));
        assert_eq!(window.take(u32::MAX - 64), Err(Refused::Repeated));
        assert_eq!(window.take(u32::MAX - 65), Err(Refused::Repeated));
        assert_eq!(window.take(1), Err(Refused::Repeated));
        assert_eq!(window.take(0), Err(Refused::Repeated));
    }
}
