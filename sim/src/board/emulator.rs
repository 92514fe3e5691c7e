//! The firmware in QEMU: started, spoken to over two named pipes, its log decoded, ended.
//!
//! With `-icount shift=6` every instruction takes the emulated board 64 ns, so its timer counts instructions: a count is 40 ns. That is no
//! time: there are no wait states and no long divisions. It is a budget, and it is the same on every computer.

use std::env;
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufRead, BufReader, Read};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::channel;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use miette::Diagnostic;

use super::Board;

/// Instructions to a count of the emulated board's clock: 40 ns to 64 ns.
pub const INSTRUCTIONS_A_COUNT: f64 = 40.0 / 64.0;

const QEMU: &str = "qemu-system-arm";
/// Where `cargo xtask firmware` puts what it builds, in the source folder.
const BUILT: &str = "target/firmware/thumbv7em-none-eabihf/release";
/// How long the emulated board may take to open its pipes.
const START: Duration = Duration::from_secs(20);

/// Why there is no emulated board.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum EmulatorError {
    /// The firmware has not been built.
    #[error("{}: no such firmware", .0.display())]
    #[diagnostic(help(
        "build it by `cargo xtask firmware` in the source folder, and name it by --firmware FILE when run from elsewhere"
    ))]
    NoFirmware(PathBuf),
    /// The emulator is not there.
    #[error("{QEMU} cannot be started ({0})")]
    #[diagnostic(help("install it: `cargo xtask firmware` does on Debian, as root; the package is qemu-system-arm"))]
    NoEmulator(#[source] io::Error),
    /// The pipes to it cannot be made.
    #[error("no pipes to the emulated board: {0}")]
    Pipes(#[source] io::Error),
    /// It ended, or never opened its pipes.
    #[error("the emulated board does not start: {0}")]
    NotStarted(String),
}

/// The firmware of that name: in the source folder that this is run in, or beside the command's own build.
pub fn find_firmware(name: &str) -> PathBuf {
    let beside = env::current_exe().ok().and_then(|exe| {
        let target = exe.ancestors().find(|folder| folder.ends_with("target"))?;
        Some(target.join(Path::new(BUILT).strip_prefix("target").ok()?).join(name))
    });
    let here = Path::new(BUILT).join(name);
    let there = beside.filter(|path| path.exists() && !here.exists());
    there.unwrap_or(here)
}

/// What decodes the log of a firmware, a program that is built beside it.
fn decoder_of(firmware: &Path) -> PathBuf {
    let folder = firmware.ancestors().nth(3).unwrap_or(Path::new(""));
    folder.join("release/firmware-log")
}

/// A board in QEMU.
pub struct Emulator {
    child: Child,
    folder: PathBuf,
    log: Arc<Mutex<Vec<String>>>,
    decoding: Option<JoinHandle<()>>,
}

impl Emulator {
    /// Starts a firmware that speaks over pipes, in lockstep. What it logs is gathered in what [`Board::log`] gives.
    ///
    /// # Errors
    /// Firmware or emulator are not there, or it does not start.
    pub fn start(firmware: &Path) -> Result<Board, EmulatorError> {
        let mut emulator = Self::spawn(firmware, &["-icount", "shift=6", "-serial", "none"])?;
        let (to_board, from_board) = emulator.opened()?;
        Ok(Board {
            emulator: Some(emulator),
            ..Board::new(from_board, to_board)
        })
    }

    /// Starts a firmware that speaks over a serial line. Its time is the time of day: it notices when frames cease. A few hundred frames a
    /// second go through.
    ///
    /// # Errors
    /// Firmware or emulator are not there, or it does not start.
    pub fn start_serial(firmware: &Path) -> Result<Board, EmulatorError> {
        let mut emulator = Self::spawn(firmware, &["-serial", "unix:line,server=on,wait=off"])?;
        let line = emulator.folder.join("line");
        let begun = Instant::now();
        loop {
            if let Ok(stream) = UnixStream::connect(&line) {
                let read = stream.try_clone().map_err(EmulatorError::Pipes)?;
                return Ok(Board {
                    emulator: Some(emulator),
                    ..Board::new(read, stream)
                });
            }
            emulator.still_starts(begun)?;
            thread::sleep(Duration::from_millis(20));
        }
    }

    fn spawn(firmware: &Path, more: &[&str]) -> Result<Self, EmulatorError> {
        let firmware = firmware
            .canonicalize()
            .map_err(|_| EmulatorError::NoFirmware(firmware.to_path_buf()))?;
        let folder = pipes().map_err(EmulatorError::Pipes)?;
        let mut command = Command::new(QEMU);
        command
            .args([
                "-M",
                "mps2-an386",
                "-cpu",
                "cortex-m4",
                "-display",
                "none",
                "-monitor",
                "none",
            ])
            .args(more)
            .args(["-semihosting-config", "enable=on,target=native", "-kernel"])
            .arg(&firmware)
            .current_dir(&folder)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        let child = command.spawn().map_err(|why| {
            let _ = fs::remove_dir_all(&folder);
            EmulatorError::NoEmulator(why)
        })?;
        let mut emulator = Self {
            child,
            folder,
            log: Arc::default(),
            decoding: None,
        };
        if let Some(coded) = emulator.child.stdout.take() {
            let decoder = decoder_of(&firmware);
            let decoding = Command::new(&decoder)
                .arg(&firmware)
                .stdin(coded)
                .stdout(Stdio::piped())
                .spawn()
                .map_err(|_| EmulatorError::NoFirmware(decoder))?;
            emulator.decoding = gather(decoding, Arc::clone(&emulator.log));
        }
        Ok(emulator)
    }

    /// Both pipes, once the board has opened them.
    fn opened(&mut self) -> Result<(File, File), EmulatorError> {
        let (send, opened) = channel();
        let folder = self.folder.clone();
        // Each waits for the other end.
        thread::spawn(move || {
            let to_board = OpenOptions::new().write(true).open(folder.join("to-board"));
            let from_board = File::open(folder.join("from-board"));
            let _ = send.send(to_board.and_then(|to| Ok((to, from_board?))));
        });
        let begun = Instant::now();
        loop {
            if let Ok(both) = opened.recv_timeout(Duration::from_millis(20)) {
                return both.map_err(EmulatorError::Pipes);
            }
            if let Err(why) = self.still_starts(begun) {
                // Whoever still waits for the other end gets one that is closed again at once.
                for name in ["to-board", "from-board"] {
                    let _ = OpenOptions::new().read(true).write(true).open(self.folder.join(name));
                }
                return Err(why);
            }
        }
    }

    /// It has not ended, and has some time left.
    fn still_starts(&mut self, begun: Instant) -> Result<(), EmulatorError> {
        let ended = self.child.try_wait().ok().flatten();
        if ended.is_none() && begun.elapsed() < START {
            return Ok(());
        }
        let _ = self.child.kill();
        let mut said = String::new();
        if let Some(mut stderr) = self.child.stderr.take() {
            let _ = stderr.read_to_string(&mut said);
        }
        let ended = ended.map_or_else(|| "no line to it opens".to_owned(), |status| status.to_string());
        Err(EmulatorError::NotStarted(format!("{ended} {}", said.trim())))
    }
}

impl Board {
    /// Closes the line to the board, and gives all that an emulated one has logged until it ended.
    pub fn finished_log(mut self) -> Vec<String> {
        self.write = Box::new(io::sink());
        if let Some(emulator) = &mut self.emulator {
            let begun = Instant::now();
            while emulator.child.try_wait().is_ok_and(|ended| ended.is_none()) && begun.elapsed() < START {
                thread::sleep(Duration::from_millis(10));
            }
            if let Some(decoding) = emulator.decoding.take() {
                // It ends with what it reads.
                let _ = decoding.join();
            }
        }
        self.log()
    }

    /// What an emulated board has logged so far, a line each; nothing of another.
    pub fn log(&self) -> Vec<String> {
        let lines = |emulator: &Emulator| emulator.log.lock().unwrap_or_else(PoisonError::into_inner).clone();
        self.emulator.as_ref().map(lines).unwrap_or_default()
    }
}

impl Drop for Emulator {
    fn drop(&mut self) {
        // Whatever comes of it: it is to be gone.
        let _ = self.child.kill();
        let _ = self.child.wait();
        let _ = fs::remove_dir_all(&self.folder);
    }
}

/// A folder of our own with the two pipes in it.
fn pipes() -> io::Result<PathBuf> {
    static NEXT: std::sync::atomic::AtomicU32 = std::sync::atomic::AtomicU32::new(0);
    let number = NEXT.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
    let folder = env::temp_dir().join(format!("bellcrank-board-{}-{number}", std::process::id()));
    fs::create_dir(&folder)?;
    let made = Command::new("mkfifo")
        .args(["-m", "600", "to-board", "from-board"])
        .current_dir(&folder)
        .status()?;
    if made.success() {
        Ok(folder)
    } else {
        Err(io::Error::other(format!("mkfifo ended with {made}")))
    }
}

/// Gathers the lines of the decoder, which reads what the firmware logs on its standard output.
fn gather(mut decoder: Child, log: Arc<Mutex<Vec<String>>>) -> Option<JoinHandle<()>> {
    let lines = BufReader::new(decoder.stdout.take()?).lines();
    Some(thread::spawn(move || {
        let say = |line: String| log.lock().unwrap_or_else(PoisonError::into_inner).push(line);
        lines.map_while(Result::ok).for_each(say);
        // It ends with what it reads.
        let _ = decoder.wait();
    }))
}
