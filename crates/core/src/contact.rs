//! A normally closed contact whose short openings may be test pulses.

use crate::units::Duration;

/// How much of the time for which it was open a contact pays back while it is closed: one part in so many.
const PAYS_BACK: u32 = 16;

/// One channel of the stop chain. What drives it may open it for a moment every so often, to see that it can: the test pulse of a safety
/// output, usually 1 ms or less (common practice, no source). Such a pulse is no stop; what chatters is no test pulse.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Contact {
    micros: u32,
}

impl Contact {
    /// One tick: it is open, and has been for longer than `pulse`.
    pub fn open(&mut self, closed: bool, pulse: Duration, dt: Duration) -> bool {
        let pulse = pulse.as_ticks();
        if closed {
            // What was open for long has been taken for what it is: the next test pulse, which may come at once, stands for itself.
            let owed = if self.micros > pulse { 0 } else { self.micros };
            self.micros = owed.saturating_sub(dt.as_ticks() / PAYS_BACK);
            return false;
        }
        let micros = self.micros.saturating_add(dt.as_ticks());
        let open = micros > pulse;
        // It counts no further, so that what has been open for long looks the same from then on.
        self.micros = if open { pulse.saturating_add(1) } else { micros };
        open
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TICK: Duration = Duration::from_ticks(1_000);
    const PULSE: Duration = Duration::from_ticks(2_000);

    fn seen(pattern: &str, pulse: Duration) -> std::string::String {
        let mut contact = Contact::default();
        let open = |c: char| if contact.open(c == '1', pulse, TICK) { 'S' } else { '.' };
        pattern.chars().map(open).collect()
    }

    #[test]
    fn without_test_pulses_it_is_open_at_once() {
        assert_eq!(seen("1101001", Duration::from_ticks(0)), "..S.SS.");
    }

    #[test]
    fn a_test_pulse_is_no_stop_and_more_than_one_is() {
        assert_eq!(seen("110111", PULSE), "......");
        assert_eq!(seen("100111", PULSE), "......");
        assert_eq!(seen("10001", PULSE), "...S.");
        assert_eq!(seen("1001001", PULSE), "....SS.");
    }

    #[test]
    fn a_test_pulse_soon_after_a_stop_is_none() {
        assert_eq!(seen("100010111", PULSE), "...S.....");
        assert_eq!(seen("10001000", PULSE), "...S...S");
    }

    #[test]
    fn pulses_count_alone_where_it_has_been_closed_for_long_enough() {
        // 1 ms every 20 ms is paid back in 16, 1 ms every third is not.
        assert!(!seen(&"01111111111111111111".repeat(20), PULSE).contains('S'));
        assert!(seen(&"011".repeat(20), PULSE).contains('S'));
    }
}
