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

impl Coupler {
    /// One that bites after so long, s. Nothing has been written yet.
    pub fn new(within: f64) -> Self {
        Self {
            within,
            last: None,
            bitten: true,
        }
    }

    /// Looks at time `now`, s: what stands there was written with this number, and is told off or not. Whether it is a refresh.
    pub fn look(&mut self, now: f64, number: u64, off: bool) -> bool {
        let late = self.last.is_some_and(|(_, at)| now - at > self.within);
        self.bitten |= late;
        // The first number is that of whatever stood there before anybody came.
        let Some((last, _)) = self.last else {
            self.last = Some((number, now));
            return false;
        };
        let refreshed = last != number;
        if refreshed {
            self.last = Some((number, now));
            self.bitten &= !off;
        }
        refreshed
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
        assert!(!coupler.look(0.0, 7, true) && coupler.bites(), "whoever wrote that is not there");
        assert!(coupler.look(0.002, 8, false) && coupler.bites());
        assert!(coupler.look(0.004, 9, true) && !coupler.bites());
    }

    #[test]
    fn what_stays_the_same_is_no_refresh() {
        let mut coupler = fed(100);
        assert!(!coupler.bites());
        assert!(!coupler.look(0.159, 100, false) && !coupler.bites());
        assert!(!coupler.look(0.161, 100, false) && coupler.bites());
    }

    /// What was on its way when everything hung.
    #[test]
    fn a_late_refresh_gives_nothing_back() {
        let mut coupler = fed(100);
        assert!(coupler.look(2.0, 102, false) && coupler.bites());
        assert!(coupler.look(2.002, 104, false) && coupler.bites());
        assert!(coupler.look(2.004, 106, true) && !coupler.bites());
    }
}
