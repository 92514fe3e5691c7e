//! A capture of 100 MB, read and judged, beside a plain reading of its bytes that counts the lines. Says the quotient of the times, and megabytes a
//! second on one core.

use std::fs::File;
use std::hint::black_box;
use std::io::Read;
use std::path::Path;
use std::time::{Duration, Instant};

use bellcrank_benches::measuring;
use bellcrank_sim::scope::{self, Asked};
use bellcrank_tests::captures::Signal;
use criterion::{Criterion, Throughput, criterion_group, criterion_main};

/// Size of the capture when it is measured, and when it is only tried out, bytes.
const BYTES: usize = 100_000_000;
const SHORT: usize = 2_000_000;
/// What is read at a time by the plain way.
const PIECE: usize = 1 << 18;

fn captures(c: &mut Criterion) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("capture.csv");
    let bytes = if measuring() { BYTES } else { SHORT };
    let file = File::create(&path).expect("made");
    Signal::steady(0.37, 3.0).write(file, bytes).expect("written");
    let bytes = std::fs::metadata(&path).expect("there").len();
    let rows = judged(&path);
    // Such an export has no heading: each line is a row.
    assert_eq!(rows, lines(&path));

    let mut group = c.benchmark_group("capture");
    group.throughput(Throughput::Bytes(bytes)).sample_size(10);
    group.bench_function("read and judged", |b| b.iter(|| judged(&path)));
    group.bench_function("read, lines counted", |b| b.iter(|| lines(&path)));
    group.finish();

    // By turns, so that whatever else the machine does falls on both.
    let rounds = if measuring() { 10 } else { 1 };
    let (mut ours, mut plain) = (Duration::MAX, Duration::MAX);
    for _ in 0..rounds {
        ours = ours.min(time(|| judged(&path)));
        plain = plain.min(time(|| lines(&path)));
    }
    let rate = |time: Duration| bytes as f64 / 1e6 / time.as_secs_f64();
    println!(
        "capture of {} MB, {rows} rows: judged in {:.1} times what reading it takes ({:.0} MB/s, {:.0} MB/s)",
        bytes / 1_000_000,
        ours.as_secs_f64() / plain.as_secs_f64(),
        rate(ours),
        rate(plain)
    );
}

/// Reads and judges; nothing is wrong with it.
fn judged(path: &Path) -> u64 {
    let scoped = scope::read(path, &Asked::default()).expect("a signal");
    assert!(scoped.troubles.is_empty());
    scoped.rows
}

/// Counts lines.
fn lines(path: &Path) -> u64 {
    let mut file = File::open(path).expect("there");
    let mut piece = vec![0; PIECE];
    let mut lines = 0;
    loop {
        let read = file.read(&mut piece).expect("read");
        if read == 0 {
            return lines;
        }
        lines += memchr::memchr_iter(b'\n', black_box(&piece[..read])).count() as u64;
    }
}

fn time(work: impl Fn() -> u64) -> Duration {
    let start = Instant::now();
    black_box(work());
    start.elapsed()
}

criterion_group!(benches, captures);
criterion_main!(benches);
