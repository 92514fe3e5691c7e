//! A campaign spread over a cluster: a real Slurm on this host's loopback, GNU parallel. What comes out is that of one process, to the byte.
//!
//! Ignored where they run by themselves, for want of the programs: `cargo xtask test` installs these and runs them.

use std::fs;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::thread::sleep;
use std::time::{Duration, Instant};

use tempfile::{TempDir, tempdir};

use crate::command::bellcrank;

const SHARDS: usize = 4;
const RUNS: usize = 1200;

/// Short runs, and many of them: a shard takes a second or more, and its ledger grows meanwhile.
fn suite() -> (TempDir, Vec<u8>) {
    let folder = tempdir().unwrap();
    let lift = bellcrank_sim::scenario::builtin("straight-lift").unwrap();
    let (head, _) = lift.split_once("[[hand]]").unwrap();
    assert!(head.contains("length_s = 7.5"));
    let lift = head.replace("length_s = 7.5", "length_s = 1") + "[[hand]]\nat_s = 0.4\nenable = true\n";
    fs::write(folder.path().join("lift.toml"), lift).unwrap();
    let suite = format!(
        "name = \"quick\"\nabout = \"many short runs\"\nseed = 5\n[limits]\nnoticed_ms = 500\nstopped_ms = 2500\ntravel_mm = 800\n\
         [[work]]\nscenario = \"lift.toml\"\n[[draw]]\nruns = {RUNS}\nat_s = [0.5, 0.9]\n"
    );
    fs::write(folder.path().join("quick.toml"), suite).unwrap();
    let output = bellcrank()
        .current_dir(folder.path())
        .args(["prove", "quick.toml", "--out", "whole"])
        .output()
        .unwrap();
    assert!(matches!(output.status.code(), Some(0 | 1)), "{output:?}");
    let whole = fs::read(folder.path().join("whole/quick.ledger")).unwrap();
    assert_eq!(String::from_utf8_lossy(&whole).lines().count(), 1 + RUNS);
    (folder, whole)
}

fn script(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../sim/cluster").join(name)
}

/// A Slurm on this host, ended with its value.
struct Slurm {
    folder: PathBuf,
}

impl Slurm {
    fn start(folder: PathBuf) -> Self {
        let slurm = Self { folder };
        let started = slurm.one_host("start");
        assert!(started.status.success(), "{}", told(&started));
        slurm
    }

    fn one_host(&self, what: &str) -> Output {
        Command::new(script("one-host.sh"))
            .arg(what)
            .arg(&self.folder)
            .env("SLURM_TRIAL_PORT", two_free_ports().to_string())
            .output()
            .unwrap()
    }

    /// Runs one of its commands, in a folder.
    fn run(&self, here: &Path, program: impl AsRef<Path>, arguments: &[&str]) -> String {
        let output = Command::new(program.as_ref())
            .args(arguments)
            .current_dir(here)
            .env("SLURM_CONF", self.folder.join("slurm.conf"))
            .env("BELLCRANK", bellcrank().get_program())
            .output()
            .unwrap();
        assert!(output.status.success(), "{}", told(&output));
        String::from_utf8(output.stdout).unwrap()
    }

    /// The processes of its daemons that are still there.
    fn daemons(&self) -> usize {
        let pids = ["munged.pid", "slurmctld.pid", "slurmd.pid"].map(|name| fs::read_to_string(self.folder.join(name)));
        let alive = |pid: &String| Path::new("/proc").join(pid.trim()).exists();
        pids.iter()
            .flatten()
            .filter(|pid| !pid.trim().is_empty() && alive(pid))
            .count()
    }
}

impl Drop for Slurm {
    fn drop(&mut self) {
        self.one_host("stop");
    }
}

fn told(output: &Output) -> String {
    let (out, err) = (
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr),
    );
    format!("{}\n{out}\n{err}", output.status)
}

/// The first of two ports in a row that nobody listens at.
fn two_free_ports() -> u16 {
    let free = |port: u16| TcpListener::bind(("127.0.0.1", port)).is_ok();
    (16_817..30_000)
        .step_by(2)
        .find(|&port| free(port) && free(port + 1))
        .unwrap()
}

#[track_caller]
fn wait_for(what: &str, mut ready: impl FnMut() -> bool) {
    let start = Instant::now();
    while !ready() {
        assert!(start.elapsed() < Duration::from_mins(2), "waited too long for {what}");
        sleep(Duration::from_millis(20));
    }
}

fn lines(path: &Path) -> usize {
    fs::read_to_string(path).unwrap_or_default().lines().count()
}

/// One of the shards is killed in the middle and put into the queue again: it goes on where it was.
#[test]
#[ignore = "needs Slurm: `cargo xtask test` installs it and runs this"]
fn a_campaign_on_slurm_with_a_killed_task_is_the_same_to_the_byte() {
    let (folder, whole) = suite();
    let here = folder.path();
    let slurm = Slurm::start(here.join("slurm"));
    assert_eq!(slurm.daemons(), 3);

    let out = here.join("out");
    let jobs = slurm.run(
        here,
        script("submit.sh"),
        &["quick.toml", &SHARDS.to_string(), out.to_str().unwrap()],
    );
    let (array, _) = jobs.trim().split_once(' ').unwrap();
    let task = format!("{array}_2");
    let ledger = out.join("quick-2-of-4.ledger");
    wait_for("the first runs of a shard", || lines(&ledger) > 1);
    slurm.run(here, "scontrol", &["requeue", &task]);
    slurm.run(here, "scontrol", &["update", &format!("JobId={task}"), "StartTime=now"]);
    let left = lines(&ledger);
    assert!(left < 1 + RUNS / SHARDS, "the shard was done before it was killed");

    wait_for("the merged ledger", || {
        slurm.run(here, "squeue", &["--noheader"]).is_empty()
    });
    let job = slurm.run(here, "scontrol", &["show", "job", &task]);
    assert!(job.contains("Restarts=1") && job.contains("COMPLETED"), "{job}");
    let log = fs::read_to_string(out.join("merge.log")).unwrap_or_default();
    assert!(
        fs::read(out.join("quick.ledger")).is_ok_and(|merged| merged == whole),
        "{log}"
    );

    slurm.one_host("stop");
    assert_eq!(slurm.daemons(), 0);
}

#[test]
#[ignore = "needs GNU parallel: `cargo xtask test` installs it and runs this"]
fn a_campaign_by_gnu_parallel_is_the_same_to_the_byte() {
    let (folder, whole) = suite();
    let output = Command::new(script("parallel.sh"))
        .args(["quick.toml", &SHARDS.to_string(), "out with a blank", "-j2"])
        .current_dir(folder.path())
        .env("BELLCRANK", bellcrank().get_program())
        .output()
        .unwrap();
    assert!(matches!(output.status.code(), Some(0 | 1)), "{}", told(&output));
    let merged = fs::read(folder.path().join("out with a blank/quick.ledger")).unwrap();
    assert!(merged == whole);
}
