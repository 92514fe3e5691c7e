//! Two processes at the terminals, and what can be done to them.

use std::fs::{self, OpenOptions};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use bellcrank_linux::mapping;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tempfile::TempDir;

use crate::command::program;

/// Longest that anything is waited for: that it happens is asked, not how soon.
const PATIENCE: Duration = Duration::from_secs(25);
/// How long nothing must happen for it to count as not happening.
const QUIET: Duration = Duration::from_millis(500);

/// What the terminals are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Image,
    Modbus,
}

/// A process and what it prints.
pub struct Process {
    child: Child,
    stdin: Option<ChildStdin>,
    lines: Arc<Mutex<Vec<String>>>,
}

/// A machine with its controller.
pub struct Site {
    folder: TempDir,
    kind: Kind,
    mapping: PathBuf,
    address: SocketAddr,
    pub plant: Process,
    pub controller: Process,
}

impl Process {
    fn start(command: &mut Command) -> Self {
        let mut child = command
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it starts");
        let lines: Arc<Mutex<Vec<String>>> = Arc::default();
        let (out, err) = (child.stdout.take().unwrap(), child.stderr.take().unwrap());
        let into = Arc::clone(&lines);
        thread::spawn(move || {
            BufReader::new(out)
                .lines()
                .map_while(Result::ok)
                .for_each(|line| into.lock().unwrap().push(line));
        });
        let into = Arc::clone(&lines);
        thread::spawn(move || {
            BufReader::new(err)
                .lines()
                .map_while(Result::ok)
                .for_each(|line| into.lock().unwrap().push(line));
        });
        Self {
            stdin: child.stdin.take(),
            child,
            lines,
        }
    }

    fn none() -> Self {
        let mut none = Self::start(&mut Command::new("true"));
        none.end();
        none
    }

    /// How many lines it has printed.
    pub fn count(&self) -> usize {
        self.lines.lock().unwrap().len()
    }

    /// Those from one on.
    pub fn since(&self, from: usize) -> Vec<String> {
        self.lines.lock().unwrap()[from..].to_vec()
    }

    /// The number of the line after the first from `from` on that has this in it.
    pub fn find(&self, from: usize, wanted: &str) -> Option<usize> {
        let lines = self.lines.lock().unwrap();
        (from..lines.len())
            .find(|line| lines[*line].contains(wanted))
            .map(|line| line + 1)
    }

    /// Waits for that line: its number and what it says.
    #[track_caller]
    pub fn wait(&self, from: usize, wanted: &str) -> (usize, String) {
        let begin = Instant::now();
        loop {
            if let Some(after) = self.find(from, wanted) {
                return (after, self.lines.lock().unwrap()[after - 1].clone());
            }
            assert!(begin.elapsed() < PATIENCE, "no {wanted:?} from line {from} on");
            thread::sleep(Duration::from_millis(5));
        }
    }

    pub fn say(&mut self, line: &str) {
        let stdin = self.stdin.as_mut().unwrap();
        writeln!(stdin, "{line}")
            .and_then(|()| stdin.flush())
            .expect("it listens");
    }

    pub fn signal(&self, name: &str) {
        let sent = Command::new("kill")
            .arg(format!("-{name}"))
            .arg(self.child.id().to_string())
            .status();
        assert!(sent.expect("kill is there").success());
    }

    pub fn kill(&mut self) {
        self.child.kill().expect("it can be killed");
        self.child.wait().expect("it has ended");
    }

    /// Waits for its end: the exit code.
    pub fn end(&mut self) -> Option<i32> {
        let status = self.child.wait().expect("it ends");
        // What it printed last is still on its way through the other threads.
        thread::sleep(Duration::from_millis(100));
        status.code()
    }
}

impl Drop for Process {
    /// Where a test fails, what each end has said tells why.
    fn drop(&mut self) {
        if thread::panicking() {
            println!("{}\n", self.since(0).join("\n"));
        }
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Site {
    /// The yard digger and its terminals, with times that a busy computer keeps, in a folder of their own.
    pub fn new(kind: Kind) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let free = TcpListener::bind("127.0.0.1:0").and_then(|listener| listener.local_addr());
        let address = free.expect("a port");
        let machine = changed(
            bellcrank_machine::builtin("yard-digger").unwrap(),
            &[
                ("tick_late_ms = 10\n", "tick_late_ms = 350\n"),
                ("stop_discrepancy_ms = 100", "stop_discrepancy_ms = 1000"),
                ("relay_ms = 100", "relay_ms = 1500"),
                ("frame_late_ms = 60", "frame_late_ms = 300"),
                ("frame_late_ms = 150", "frame_late_ms = 300"),
                (
                    "[watch]\njump_mm_s = 1500",
                    "[watch]\nstale_ms = 500\njump_mm_s = 20000",
                ),
                ("jump_deg_s = 300", "jump_deg_s = 5000"),
                ("confirm_ms = 10", "confirm_ms = 300"),
                ("following_mm = 60", "following_mm = 300"),
                ("settle_ms = 300", "settle_ms = 1500"),
                ("unasked_ms = 120", "unasked_ms = 1500"),
                ("no_motion_ms = 400", "no_motion_ms = 2500"),
                ("wrong_way_ms = 120", "wrong_way_ms = 1500"),
                (
                    "watch = { settle_ms = 400, give_mm = 6 }",
                    "watch = { settle_ms = 1500, give_mm = 20 }",
                ),
            ],
        );
        fs::write(folder.path().join("machine.toml"), machine).unwrap();
        let name = match kind {
            Kind::Image => "yard-digger-image",
            Kind::Modbus => "yard-digger-modbus",
        };
        let text = mapping::BUILTIN.iter().find(|(known, _)| *known == name).unwrap().1;
        let image = folder.path().join("image");
        let text = text
            .replace("machine = \"yard-digger\"", "machine = \"machine.toml\"")
            .replace("/dev/shm/bellcrank-yard-digger", image.to_str().unwrap())
            .replace("127.0.0.1:1502", &address.to_string());
        let (life, watchdog) = if kind == Kind::Image { (40, 60) } else { (60, 80) };
        let text = text.replace("answer_ms = 30", "answer_ms = 140");
        let text = changed(
            &text,
            &[
                (&format!("life_ms = {life}"), "life_ms = 300"),
                (&format!("watchdog_ms = {watchdog}"), "watchdog_ms = 400"),
            ],
        );
        let mapping = folder.path().join("mapping.toml");
        fs::write(&mapping, text).unwrap();
        Self {
            folder,
            kind,
            mapping,
            address,
            plant: Process::none(),
            controller: Process::none(),
        }
    }

    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// The machine, with hands that type.
    pub fn start_plant(&mut self) {
        self.start_plant_as(&[], "the arm is at rest");
    }

    /// The machine in a scenario; its machine is called M there.
    pub fn start_plant_with(&mut self, scenario: &str) {
        let path = self.scenario(scenario);
        self.start_plant_as(&["--scenario", path.to_str().unwrap()], "the arm is at rest");
    }

    /// The machine standing as a scenario begins, with hands that type.
    pub fn start_plant_standing(&mut self, scenario: &str) {
        let path = self.scenario(scenario);
        self.start_plant_as(&["--hands", "--scenario", path.to_str().unwrap()], "at the terminals");
    }

    fn scenario(&self, text: &str) -> PathBuf {
        let path = self.folder.path().join("scenario.toml");
        fs::write(&path, text.replace("\"M\"", "\"machine.toml\"")).unwrap();
        path
    }

    fn start_plant_as(&mut self, more: &[&str], says: &str) {
        let mut command = Command::new(program("bellcrank"));
        command
            .current_dir(self.folder.path())
            .args(["plant", "--io"])
            .arg(&self.mapping)
            .args(more);
        self.plant = Process::start(&mut command);
        self.plant.wait(0, says);
    }

    /// The controller, with more in its environment.
    pub fn start_controller(&mut self, environment: &[(&str, &str)]) {
        let mapping = self.mapping.clone();
        self.start_controller_as(&mapping, environment);
    }

    /// The controller at a server elsewhere.
    pub fn start_controller_at(&mut self, address: SocketAddr) {
        let text = fs::read_to_string(&self.mapping).unwrap();
        let elsewhere = self.folder.path().join("elsewhere.toml");
        fs::write(
            &elsewhere,
            text.replace(&self.address.to_string(), &address.to_string()),
        )
        .unwrap();
        self.start_controller_as(&elsewhere, &[]);
    }

    fn start_controller_as(&mut self, mapping: &Path, environment: &[(&str, &str)]) {
        let mut command = Command::new(program("bellcrank-linux"));
        let in_folder = |name| self.folder.path().join(name);
        command
            .arg(mapping)
            .arg("--record")
            .arg(in_folder("record"))
            .arg("--status")
            .arg(in_folder("status.json"))
            .args(["--wait-s", "20"])
            .envs(environment.iter().copied());
        self.controller = Process::start(&mut command);
        self.controller.wait(0, "self-test");
    }

    /// The test of a valve in the controller's place.
    pub fn start_trim(&mut self, axis: &str) {
        let mut command = Command::new(program("bellcrank"));
        command
            .current_dir(self.folder.path())
            .args(["trim", "machine.toml", "--write", "--axis", axis, "--io"])
            .arg(&self.mapping);
        self.controller = Process::start(&mut command);
    }

    /// Enables the machine, and moves the boom.
    #[track_caller]
    pub fn work(&mut self) {
        self.controller.wait(0, "ready");
        self.enable();
    }

    #[track_caller]
    fn enable(&mut self) {
        let from = self.plant.count();
        self.plant.say("enable");
        let (on, _) = self.plant.wait(from, "told: valve power on, dump on, engine on");
        self.plant.say("lever boom 0.3");
        self.plant.wait(on, "the arm moves");
    }

    /// The enabling switch is still held and the lever over. No power comes back by itself, nor by a reset with the lever over, nor by letting go
    /// of it; a reset after that leads to ready, and enabling anew to motion.
    #[track_caller]
    pub fn recovers_only_by_a_reset(&mut self) {
        let from = self.plant.count();
        thread::sleep(QUIET);
        self.plant.say("reset");
        thread::sleep(QUIET + QUIET);
        self.plant.say("neutral");
        thread::sleep(QUIET);
        self.plant.say("release");
        thread::sleep(QUIET / 2);
        let of_controller = self.controller.count();
        assert_eq!(
            self.plant.find(from, "valve power on"),
            None,
            "{:#?}",
            self.plant.since(from)
        );
        assert_eq!(
            self.plant.find(from, "the arm moves"),
            None,
            "{:#?}",
            self.plant.since(from)
        );
        self.plant.say("reset");
        self.controller.wait(of_controller, "ready");
        assert_eq!(
            self.plant.find(from, "valve power on"),
            None,
            "{:#?}",
            self.plant.since(from)
        );
        self.enable();
    }

    /// Puts bytes where the controller reads.
    pub fn write_inputs(&self, bytes: &[u8]) {
        assert_eq!(self.kind, Kind::Image);
        let file = OpenOptions::new()
            .write(true)
            .open(self.folder.path().join("image"))
            .unwrap();
        file.write_all_at(&bytes[..32], 0).unwrap();
    }

    /// Some relay of the valves is told to pull in.
    pub fn powered(&self) -> bool {
        let image = fs::read(self.folder.path().join("image")).unwrap();
        image.get(32).is_some_and(|relays| relays & 0b11 != 0)
    }

    /// Nothing is left of the image but its first bytes; whoever writes makes it longer again.
    pub fn cut_image_short(&self) {
        let file = OpenOptions::new()
            .write(true)
            .open(self.folder.path().join("image"))
            .unwrap();
        for _ in 0..1000 {
            file.set_len(8).unwrap();
        }
    }
}

/// A text with every one of these changes.
#[track_caller]
fn changed(text: &str, changes: &[(&str, &str)]) -> String {
    changes.iter().fold(text.to_owned(), |text, (from, to)| {
        assert!(text.contains(from), "{from:?} is not there");
        text.replacen(from, to, 1)
    })
}

/// Bytes of a seed.
pub fn noise(seed: u64) -> Vec<u8> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    (0..64).map(|_| random.random()).collect()
}

/// What a proxy makes of what a server answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Noise {
    None,
    Random,
    OtherRequest,
    Shorter,
    Held,
}

/// A proxy before a server.
pub struct Proxy {
    address: SocketAddr,
    noise: Arc<Mutex<Noise>>,
}

impl Proxy {
    pub fn start(server: SocketAddr) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = listener.local_addr().unwrap();
        let noise = Arc::new(Mutex::new(Noise::None));
        let of_all = Arc::clone(&noise);
        thread::spawn(move || {
            for client in listener.incoming().map_while(Result::ok) {
                let Ok(server) = TcpStream::connect(server) else {
                    continue;
                };
                let _ = (client.set_nodelay(true), server.set_nodelay(true));
                let (mut requests, mut to_server) = (client.try_clone().unwrap(), server.try_clone().unwrap());
                thread::spawn(move || {
                    let _ = std::io::copy(&mut requests, &mut to_server);
                    let _ = to_server.shutdown(std::net::Shutdown::Both);
                });
                let noise = Arc::clone(&of_all);
                thread::spawn(move || answers(server, client, &noise));
            }
        });
        Self { address, noise }
    }

    pub fn address(&self) -> SocketAddr {
        self.address
    }

    pub fn make(&self, noise: Noise) {
        *self.noise.lock().unwrap() = noise;
    }
}

fn answers(mut server: TcpStream, mut client: TcpStream, how: &Mutex<Noise>) {
    let mut bytes = [0; 512];
    while let Ok(count) = server.read(&mut bytes)
        && count > 0
    {
        let how = *how.lock().unwrap();
        let mut answer = bytes[..count].to_vec();
        match how {
            Noise::None => {}
            Noise::Random => answer = noise(count as u64 + u64::from(bytes[1])),
            Noise::OtherRequest => answer[1] = answer[1].wrapping_add(3),
            Noise::Shorter => answer.truncate(count - 2),
            Noise::Held => thread::sleep(Duration::from_millis(700)),
        }
        if client.write_all(&answer).is_err() {
            break;
        }
    }
    let _ = client.shutdown(std::net::Shutdown::Both);
}
