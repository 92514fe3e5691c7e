//! What the service manager is told, by the protocol of systemd: ready, alive, stopping. A thread of its own tells it: a manager that no
//! longer listens holds nobody up, and neither does one that is not there.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use sd_notify::NotifyState;

/// How often it is looked whether there is something to tell.
const EVERY: Duration = Duration::from_millis(20);

/// The way to the service manager.
#[derive(Debug, Clone)]
pub struct Manager(Arc<Told>);

#[derive(Debug, Default)]
struct Told {
    /// The core's watchdog has been fed since this was last looked at.
    fed: AtomicBool,
    over: AtomicBool,
    /// The last has been told.
    through: AtomicBool,
}

impl Manager {
    /// Begins to listen to what there is to tell.
    ///
    /// # Errors
    /// There is no thread to be had.
    pub fn start() -> std::io::Result<Self> {
        let told = Arc::new(Told::default());
        let theirs = Arc::clone(&told);
        thread::Builder::new()
            .name("notify".to_owned())
            .spawn(move || tell(&theirs))?;
        Ok(Self(told))
    }

    /// The core's watchdog was fed.
    pub fn fed(&self) {
        self.0.fed.store(true, Ordering::Release);
    }

    /// Everything comes to its end. Waits until that has been told, or for a fifth of a second.
    pub fn stopping(&self) {
        self.0.over.store(true, Ordering::Release);
        for _ in 0..10 {
            if self.0.through.load(Ordering::Acquire) {
                return;
            }
            thread::sleep(EVERY);
        }
    }
}

/// Tells it is ready when the watchdog is first fed, and alive as often as it wants to hear that, while the watchdog is fed. Nobody can be told
/// of what could not be told.
fn tell(told: &Told) {
    let wanted = sd_notify::watchdog_enabled();
    let (mut ready, mut last): (bool, Option<Instant>) = (false, None);
    while !told.over.load(Ordering::Acquire) {
        let due = |every: Duration| last.is_none_or(|last| last.elapsed() >= every / 4);
        if (!ready || wanted.is_some_and(due)) && told.fed.swap(false, Ordering::AcqRel) {
            if !ready {
                ready = true;
                let _ = sd_notify::notify(&[NotifyState::Ready]);
            }
            if wanted.is_some() {
                last = Some(Instant::now());
                let _ = sd_notify::notify(&[NotifyState::Watchdog]);
            }
        }
        thread::sleep(EVERY);
    }
    let _ = sd_notify::notify(&[NotifyState::Stopping]);
    told.through.store(true, Ordering::Release);
}
