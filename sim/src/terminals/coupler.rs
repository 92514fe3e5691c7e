//! The watchdog of the terminals: outputs that nobody refreshes are zero.
//!
//! Once it has bitten it holds until it has been refreshed with valve power and dump valve told off. So what was on its way when everything
//! hung, and comes through late, moves nothing; and whoever comes back has to begin without power. It begins bitten.

/// The watchdog.
#[derive(Debug, Clone)]
pub struct Coupler {
    /// Longest between two refreshes, s.
    within: f64,
    /// The number of the last refresh, and when it came, s.
    last: Option<(u64, f64)>,
    bitten: bool,
}

/// What a look at the outputs has shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Looked {
    /// They were written since the last.
    pub refreshed: bool,
    /// It has just bitten, after this time without a refresh, s.
    pub bites: Option<f64>,
    /// It has just let go.
    pub lets_go: bool,
}

impl Coupler {
    /// One that bites after so long, s. Nothing has been written yet.
    pub fn new(within: f64) -> Self {
        Self {
            within,
            last: None,
            bitten: true,
        }
    }

    /// Looks at time `now`, s: what stands there was written with this number, and is told off or not.
    pub fn look(&mut self, now: f64, number: u64, off: bool) -> Looked {
        // The first number is that of whatever stood there before anybody came.
        let (last, at) = *self.last.get_or_insert((number, now));
        let late = now - at > self.within;
        let bites = (late && !self.bitten).then_some(now - at);
        self.bitten |= late;
        let refreshed = last != number;
        let mut lets_go = false;
        if refreshed {
            self.last = Some((number, now));
            lets_go = self.bitten && off;
            self.bitten &= !off;
        }
        Looked {
            refreshed,
            bites,
            lets_go,
        }
    }

    /// The outputs are zero, whatever was written.
    pub fn bites(&self) -> bool {
        self.bitten
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A coupler that is refreshed every 2 ms from 0 on, told off at first.
    fn fed(until_ms: u32) -> Coupler {
        let mut coupler = Coupler::new(0.06);
        for ms in (0..=until_ms).step_by(2) {
            coupler.look(1e-3 * f64::from(ms), ms.into(), ms < 20);
        }
        coupler
    }

    #[test]
    fn it_begins_bitten_and_waits_to_be_told_off() {
        let mut coupler = Coupler::new(0.06);
        assert!(
            !coupler.look(0.0, 7, true).refreshed && coupler.bites(),
            "whoever wrote that is not there"
        );
        assert!(coupler.look(0.002, 8, false).refreshed && coupler.bites());
        assert!(coupler.look(0.004, 9, true).lets_go && !coupler.bites());
    }

    #[test]
    fn what_stays_the_same_is_no_refresh() {
        let mut coupler = fed(100);
        assert!(!coupler.bites());
        assert!(!coupler.look(0.159, 100, false).refreshed && !coupler.bites());
        let looked = coupler.look(0.161, 100, false);
        assert!(looked.bites.is_some_and(|silent| (silent - 0.061).abs() < 1e-9) && coupler.bites());
        assert_eq!(coupler.look(0.162, 100, false).bites, None, "it has already");
    }

    /// What was on its way when everything hung.
    #[test]
    fn a_late_refresh_gives_nothing_back() {
        let mut coupler = fed(100);
        assert!(coupler.look(2.0, 102, false).refreshed && coupler.bites());
        assert!(coupler.look(2.002, 104, false).refreshed && coupler.bites());
        assert!(coupler.look(2.004, 106, true).lets_go && !coupler.bites());
    }

    /// It bites all the same where the first that comes through late is told off.
    #[test]
    fn a_late_refresh_that_is_told_off_is_still_late() {
        let looked = fed(100).look(2.0, 102, true);
        assert!(looked.bites.is_some() && looked.lets_go);
    }
}
