//! When turns are due, and what the system is asked for so that they come on time.
//!
//! Turns are due at fixed times, not so long after one another: a late one makes the next no later. One that would come so soon after a
//! late one that the core took it for a tick too early is left out, and counted as missed.

use std::time::Instant as Clock;

use bellcrank_core::machine::Timing;
use bellcrank_core::units::Instant;
use rustix::mm::{MlockAllFlags, mlockall};
use rustix::thread::clock_nanosleep_absolute;
use rustix::time::{ClockId, Timespec, clock_gettime};
use thread_priority::unix::{
    RealtimeThreadSchedulePolicy, ThreadSchedulePolicy, set_thread_priority_and_policy, thread_native_id,
};
use thread_priority::{ThreadPriority, ThreadPriorityValue};

/// Priority of the loop among the real-time threads of the system: above those of interrupts, which have 50 by default.
const PRIORITY: u8 = 60;

/// The loop's time, from 0 when it begins.
#[derive(Debug, Clone, Copy)]
pub struct Time {
    /// For the other threads.
    pub begin: Clock,
    begin_abs: Timespec,
}

/// When turns are due.
#[derive(Debug, Clone)]
pub struct Pace {
    tick: u64,
    /// Least time from the start of one turn to that of the next: half way from too early to on time.
    least: u64,
    due: u64,
}

impl Time {
    /// Begins now.
    pub fn begin() -> Self {
        Self {
            begin: Clock::now(),
            begin_abs: clock_gettime(ClockId::Monotonic),
        }
    }

    /// The time now.
    pub fn now(&self) -> Instant {
        let micros = self.begin.elapsed().as_micros();
        Instant::from_ticks(u64::try_from(micros).unwrap_or(u64::MAX))
    }

    /// Sleeps until then; not at all if that is past.
    pub fn sleep_until(&self, at: Instant) {
        const NANOS: i64 = 1_000_000_000;
        let since = i64::try_from(at.as_ticks())
            .unwrap_or(i64::MAX / 1000)
            .saturating_mul(1000);
        let nanos = self.begin_abs.tv_nsec + since % NANOS;
        let until = Timespec {
            tv_sec: self.begin_abs.tv_sec + since / NANOS + nanos / NANOS,
            tv_nsec: nanos % NANOS,
        };
        // A signal wakes the loop too; the turn then comes as early as the core bears, or it sleeps on.
        while clock_nanosleep_absolute(ClockId::Monotonic, &until).is_err() && self.now() < at {}
    }
}

impl Pace {
    /// The pace of a machine.
    pub fn new(timing: &Timing, now: Instant) -> Self {
        let micros = |time: bellcrank_core::units::Duration| u64::from(time.as_ticks());
        Self {
            tick: micros(timing.tick),
            least: u64::midpoint(micros(timing.tick_early), micros(timing.tick)),
            due: now.as_ticks(),
        }
    }

    /// When the next turn is due, the one before having begun at `started`; and how many are left out because of it.
    pub fn next(&mut self, started: Instant) -> (Instant, u32) {
        let mut missed = 0;
        self.due += self.tick;
        while self.due < started.as_ticks() + self.least {
            self.due += self.tick;
            missed += 1;
        }
        (Instant::from_ticks(self.due), missed)
    }
}

/// Asks for real-time scheduling of this thread, and for memory that is never paged out. What was not allowed, in words.
pub fn ask_for_real_time() -> Vec<String> {
    let mut refused = Vec::new();
    if let Err(why) = mlockall(MlockAllFlags::CURRENT | MlockAllFlags::FUTURE) {
        refused.push(format!(
            "memory is not locked ({why}): a page that is read from disk makes a tick late"
        ));
    }
    let priority = ThreadPriorityValue::try_from(PRIORITY).map(ThreadPriority::Crossplatform);
    let policy = ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo);
    let asked = priority.map_err(|why| why.clone()).and_then(|priority| {
        set_thread_priority_and_policy(thread_native_id(), priority, policy).map_err(|why| format!("{why:?}"))
    });
    if let Err(why) = asked {
        refused.push(format!(
            "no real-time scheduling ({why}): whatever else runs makes ticks late"
        ));
    }
    refused
}

#[cfg(test)]
mod tests {
    use bellcrank_core::units::Duration;

    use super::*;

    fn pace() -> Pace {
        let times = |micros| Duration::from_ticks(micros);
        let timing = Timing {
            tick: times(2000),
            tick_late: times(10_000),
            tick_early: times(1000),
            stop_discrepancy: times(0),
            stop_pulse: times(0),
            relay: None,
            debounce: times(0),
            stop_budget: times(1),
            reaction: times(0),
        };
        Pace::new(&timing, Instant::from_ticks(10_000))
    }

    fn next(pace: &mut Pace, started: u64) -> (u64, u32) {
        let (at, missed) = pace.next(Instant::from_ticks(started));
        (at.as_ticks(), missed)
    }

    #[test]
    fn a_late_turn_makes_the_next_no_later() {
        let mut pace = pace();
        assert_eq!(next(&mut pace, 10_000), (12_000, 0));
        assert_eq!(next(&mut pace, 12_400), (14_000, 0));
        assert_eq!(next(&mut pace, 14_010), (16_000, 0));
    }

    /// The core takes less than 1 ms for a tick too early.
    #[test]
    fn what_would_come_too_soon_is_left_out() {
        let mut pace = pace();
        assert_eq!(
            next(&mut pace, 10_600),
            (14_000, 1),
            "1.4 ms would be too near the limit"
        );
        assert_eq!(next(&mut pace, 31_900), (34_000, 9));
    }

    #[test]
    fn it_sleeps_until_the_time_that_is_told() {
        let time = Time::begin();
        time.sleep_until(Instant::from_ticks(20_000));
        assert!(time.now().as_ticks() >= 20_000);
        time.sleep_until(Instant::from_ticks(1));
    }
}
