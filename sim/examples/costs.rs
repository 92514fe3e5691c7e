//! What the core costs on an emulated Cortex-M4F: instructions of a tick and of its stages, stack, size, and what the float functions cost
//! and err. Held to `benches/firmware.csv`; `--bless` writes that file and the tables in `benches/README.md`.
//!
//! `cargo xtask costs` builds the firmware and runs this.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Command, ExitCode};

use bellcrank_core::machine::image::Fingerprint;
use bellcrank_core::supervise::State;
use bellcrank_core::{Machine, math};
use bellcrank_sim::board::{Checked, Emulator, INSTRUCTIONS_A_COUNT, find_firmware};
use bellcrank_sim::golden::Golden;
use micromath::F32Ext;
use object::{Object, ObjectSection, SectionFlags};

type Error = Box<dyn std::error::Error>;

const FILE: &str = "benches/firmware.csv";
const README: &str = "benches/README.md";
const MARKS: [&str; 2] = [
    "<!-- firmware: written by `cargo xtask costs --bless` -->",
    "<!-- firmware: end -->",
];
const BLESS: &str = "cargo xtask costs --bless";
/// How far a figure may be above the file's, as a share of it: with the file's compiler, and with another.
const ALLOWED: f64 = 0.03;
const ALLOWED_ELSEWHERE: f64 = 0.3;
/// What a turn should cost at most, instructions. A Cortex-M4 of 100 MHz has 200,000 cycles in 2 ms.
const AIM: f64 = 60_000.0;
/// Ticks of the golden run in which both arms are moved in tip mode.
const TIP_MODE: std::ops::Range<u64> = 5_200..11_000;

fn main() -> ExitCode {
    match costs(std::env::args().any(|word| word == "--bless")) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(why) => {
            eprintln!("{why}");
            ExitCode::from(2)
        }
    }
}

fn costs(bless: bool) -> Result<bool, Error> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let text = bellcrank_machine::builtin("drystone-setter").ok_or("the setter is built in")?;
    let machine = bellcrank_machine::build(&bellcrank_machine::read("drystone-setter", text)?)?;
    let mut figures = Figures::default();
    turns(&mut figures, &machine)?;
    let log = apart(&mut figures, &machine)?;
    functions(&mut figures, &log);
    size(&mut figures)?;

    let compiler = Command::new("rustc").arg("--version").output()?.stdout;
    let compiler = String::from_utf8(compiler)?.trim().to_owned();
    let good = if bless {
        fs::write(root.join(FILE), figures.csv(&compiler))?;
        let page = fs::read_to_string(root.join(README))?;
        let (before, rest) = page.split_once(MARKS[0]).ok_or("the README has no mark")?;
        let (_, after) = rest.split_once(MARKS[1]).ok_or("the README has no end mark")?;
        let page = format!("{before}{}\n\n{}\n{}{after}", MARKS[0], figures.tables(), MARKS[1]);
        fs::write(root.join(README), page)?;
        println!("written: {FILE}, {README}");
        true
    } else {
        figures.held_to(&fs::read_to_string(root.join(FILE))?, &compiler)?
    };
    println!("{}", figures.tables());
    Ok(good)
}

/// What was measured, by its name.
#[derive(Default)]
struct Figures(Vec<(String, f64)>);

impl Figures {
    fn put(&mut self, name: impl Into<String>, value: f64) {
        self.0.push((name.into(), value));
    }

    fn of(&self, name: &str) -> f64 {
        self.0
            .iter()
            .find(|(known, _)| known == name)
            .map_or(f64::NAN, |(_, value)| *value)
    }

    fn csv(&self, compiler: &str) -> String {
        let lines = self.0.iter().map(|(name, value)| format!("{name},{value}\n"));
        format!("figure,value\ncompiler,{compiler}\n{}", lines.collect::<String>())
    }

    /// None is above what the file has by more than it may be.
    fn held_to(&self, file: &str, compiler: &str) -> Result<bool, Error> {
        let before: BTreeMap<&str, &str> = file.lines().filter_map(|line| line.split_once(',')).collect();
        let same = before.get("compiler") == Some(&compiler);
        let allowed = if same { ALLOWED } else { ALLOWED_ELSEWHERE };
        if !same {
            println!(
                "{FILE} is of another compiler than {compiler}: only {:.0} % more would count",
                100.0 * allowed
            );
        }
        let mut good = true;
        for (name, now) in &self.0 {
            let Some(before) = before.get(name.as_str()) else {
                println!("{name}: not in {FILE}; `{BLESS}`");
                good = false;
                continue;
            };
            let before: f64 = before
                .parse()
                .map_err(|_| format!("{FILE}: {name}: found {before:?}, wanted a number"))?;
            if *now > before * (1.0 + allowed) {
                println!("{name}: {now}, and {before} in {FILE}: if that is what you want to pay, `{BLESS}`");
                good = false;
            } else if *now < before * (1.0 - allowed) {
                println!("{name}: {now}, and {before} in {FILE}: keep the gain by `{BLESS}`");
            }
        }
        Ok(good)
    }

    fn tables(&self) -> String {
        let whole = |name: &str| format!("{:.0}", self.of(name));
        let mut text = format!(
            "The drystone setter, both arms in tip mode, guard at work: {} instructions a turn in the mean, {} at most (aim: {AIM:.0} at most{}). \
             Stack of a tick {} bytes; with the reading of an image {} bytes. Firmware: {} bytes of flash, {} of RAM for statics, \
             beside the stack, which has the machine and the core on it.\n\n\
             | stage | instructions, mean | most |\n|---|---|---|\n",
            whole("turn mean"),
            whole("turn most"),
            if self.of("turn most") > AIM { ", missed" } else { "" },
            whole("stack tick"),
            whole("stack image"),
            whole("flash"),
            whole("ram"),
        );
        for (name, value) in &self.0 {
            if let Some(stage) = name.strip_prefix("stage mean ") {
                text += &format!("| {stage} | {value:.0} | {} |\n", whole(&format!("stage most {stage}")));
            }
        }
        text += "\n| function | `math`: instructions, largest error | `micromath`, which it is made of | `libm`, single precision |\n|---|---|---|---|\n";
        for (name, _) in self.0.iter().filter(|(name, _)| name.starts_with("ours cost ")) {
            let function = &name["ours cost ".len()..];
            let cell = |kind: &str| {
                let of = |what: &str| self.of(&format!("{kind} {what} {function}"));
                format!("{:.0}, {:.1e}", of("cost"), of("error"))
            };
            text += &format!(
                "| {function} | {} | {} | {} |\n",
                cell("ours"),
                cell("rough"),
                cell("usual")
            );
        }
        text
    }
}

/// A turn on the board, as a board that serves does it.
fn turns(figures: &mut Figures, machine: &Machine) -> Result<(), Error> {
    let mut board = Emulator::start(&find_firmware("pipe"))?;
    board.load(machine, Fingerprint::default())?;
    let mut counts = Vec::new();
    for (tick, (inputs, outputs)) in (1..TIP_MODE.end).zip(Golden::new(machine)) {
        let turned = board.turn(&inputs)?;
        if TIP_MODE.contains(&tick) && outputs.status.state == State::Enabled {
            counts.push(f64::from(turned.counts) * INSTRUCTIONS_A_COUNT);
        }
    }
    let mean = counts.iter().sum::<f64>() / counts.len() as f64;
    figures.put("turn mean", mean.round());
    figures.put("turn most", counts.iter().copied().fold(0.0, f64::max).round());
    figures.put("stack image", f64::from(board.who()?.stack.unwrap_or(0)));
    Ok(())
}

/// A tick taken apart. What the board logged of it.
fn apart(figures: &mut Figures, machine: &Machine) -> Result<Vec<String>, Error> {
    let mut board = Emulator::start(&find_firmware("costs"))?;
    board.load(machine, Fingerprint::default())?;
    let mut board = Checked::new(board);
    for (tick, (inputs, outputs)) in (1..TIP_MODE.end).zip(Golden::new(machine)) {
        if tick == TIP_MODE.start {
            // What came before is told, and not counted.
            board.who()?;
        }
        board.turn(&inputs, &outputs)?;
    }
    board.who()?;
    let log = board.finished_log();
    let rows = |kind: &str| -> Vec<Vec<String>> {
        let of_kind = log.iter().filter_map(|line| line.strip_prefix(kind));
        of_kind
            .map(|line| line.split(',').map(str::to_owned).collect())
            .collect()
    };
    let stages = rows("stage,");
    for row in &stages[stages.len().saturating_sub(6)..] {
        let (ticks, all, most): (f64, f64, f64) = (row[1].parse()?, row[2].parse()?, row[3].parse()?);
        figures.put(
            format!("stage mean {}", row[0]),
            (all / ticks * INSTRUCTIONS_A_COUNT).round(),
        );
        figures.put(format!("stage most {}", row[0]), (most * INSTRUCTIONS_A_COUNT).round());
    }
    let stack = rows("stack,").pop().ok_or("the board told no stack")?;
    figures.put("stack tick", stack[1].parse::<f64>()? - stack[0].parse::<f64>()?);
    Ok(log)
}

/// Instructions of the float functions by the log, errors by the same functions here: they are the same to the bit.
fn functions(figures: &mut Figures, log: &[String]) {
    type Two = fn(f32, f32) -> f32;
    type Row = (&'static str, (f32, f32), [Two; 3], fn(f64, f64) -> f64);
    let turn = (-3.0, 3.0);
    let all: [Row; 7] = [
        (
            "sin",
            turn,
            [|x, _| math::sin(x), |x, _| F32Ext::sin(x), |x, _| libm::sinf(x)],
            |x, _| x.sin(),
        ),
        (
            "cos",
            turn,
            [|x, _| math::cos(x), |x, _| F32Ext::cos(x), |x, _| libm::cosf(x)],
            |x, _| x.cos(),
        ),
        ("atan2", turn, [math::atan2, F32Ext::atan2, libm::atan2f], f64::atan2),
        (
            "acos",
            (-0.99, 0.99),
            [|x, _| math::acos(x), |x, _| F32Ext::acos(x), |x, _| libm::acosf(x)],
            |x, _| x.acos(),
        ),
        (
            "asin",
            (-0.99, 0.99),
            [|x, _| math::asin(x), |x, _| F32Ext::asin(x), |x, _| libm::asinf(x)],
            |x, _| x.asin(),
        ),
        (
            "sqrt",
            (0.01, 9.0),
            [|x, _| math::sqrt(x), |x, _| F32Ext::sqrt(x), |x, _| libm::sqrtf(x)],
            |x, _| x.sqrt(),
        ),
        ("hypot", turn, [math::hypot, F32Ext::hypot, libm::hypotf], f64::hypot),
    ];
    for (name, (least, greatest), kinds, exact) in all {
        let told = log
            .iter()
            .find_map(|line| line.strip_prefix(&format!("function,{name},")));
        let told: Vec<f64> = told
            .unwrap_or("")
            .split(',')
            .filter_map(|cell| cell.parse().ok())
            .collect();
        for (index, (kind, call)) in ["ours", "rough", "usual"].into_iter().zip(kinds).enumerate() {
            let counts = told.get(index + 1).copied().unwrap_or(f64::NAN);
            figures.put(
                format!("{kind} cost {name}"),
                (counts / told[0] * INSTRUCTIONS_A_COUNT).round(),
            );
            let error = |step: u16| {
                let x = least + (greatest - least) * f32::from(step) / 4096.0;
                (f64::from(call(x, 1.5)) - exact(f64::from(x), 1.5)).abs()
            };
            let largest = (0..4096).map(error).fold(0.0, f64::max);
            figures.put(
                format!("{kind} error {name}"),
                format!("{largest:.2e}").parse().unwrap_or(largest),
            );
        }
    }
}

/// What the firmware takes of the memories.
fn size(figures: &mut Figures) -> Result<(), Error> {
    let bytes = fs::read(find_firmware("pipe"))?;
    let file = object::File::parse(&*bytes)?;
    let (mut flash, mut ram) = (0, 0);
    for section in file.sections() {
        let SectionFlags::Elf { sh_flags } = section.flags() else {
            continue;
        };
        // Allocated, that is on the board at all; the writable ones are in RAM.
        if sh_flags & 2 != 0 && section.name().is_ok_and(|name| name != ".defmt") {
            if sh_flags & 1 != 0 {
                ram += section.size();
            } else {
                flash += section.size();
            }
        }
    }
    figures.put("flash", flash as f64);
    figures.put("ram", ram as f64);
    Ok(())
}
