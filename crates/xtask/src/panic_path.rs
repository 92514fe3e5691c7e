//! Who can panic: the linker says only that somebody can.
//!
//! An image that was linked with `--emit-relocs` keeps a record for each call, from where to what. Here those are read backwards from
//! the functions of `core::panicking`, through the rest of the standard library, up to the first call that is ours; its file, line and
//! functions, inlined ones too, come out of the image's line tables.

use std::{
    collections::{BTreeMap, BTreeSet},
    fmt::Write as _,
    fs,
    path::Path,
};

use addr2line::Loader;
use miette::{IntoDiagnostic, Result, WrapErr, miette};
use object::{Object, ObjectSection, ObjectSymbol, RelocationTarget, SymbolKind};

/// Functions and the calls between them. A function is known by the address at which it begins.
#[derive(Default)]
struct Calls {
    names: BTreeMap<u64, String>,
    /// Called function, calling function, address of the call.
    calls: BTreeSet<(u64, u64, u64)>,
}

/// A text with a line for each call of ours from which a panic can be reached: where it is, and in which functions.
///
/// # Errors
///
/// The image cannot be read, or no panic can be reached in it.
pub fn told(image: &Path) -> Result<String> {
    let named = || image.display().to_string();
    let bytes = fs::read(image).into_diagnostic().wrap_err_with(named)?;
    let calls = read(&bytes).into_diagnostic().wrap_err_with(named)?;
    // Its error cannot be sent to another thread, which a report of ours must be able to.
    let lines = Loader::new(image).map_err(|error| miette!("{}: {error}", named()))?;

    let mut text = String::new();
    for (site, reached) in calls.into_panics() {
        let mut frames = lines
            .find_frames(site)
            .map_err(|error| miette!("{}: {error}", named()))?;
        writeln!(text, "{reached} can be reached from").into_diagnostic()?;
        while let Some(frame) = frames.next().into_diagnostic()? {
            let function = frame.function.as_ref().and_then(|function| function.demangle().ok());
            let function = function.as_deref().unwrap_or("a function without a name");
            let place = frame.location.as_ref();
            let file = place.and_then(|place| place.file).unwrap_or("?");
            let line = place.and_then(|place| place.line).unwrap_or(0);
            writeln!(text, "    {function}, {file}:{line}").into_diagnostic()?;
        }
    }
    if text.is_empty() {
        return Err(miette!("{}: no call in it leads to a panic", named()));
    }
    Ok(text)
}

/// The functions of an image for an ARM processor and the calls that its relocations tell of.
fn read(image: &[u8]) -> object::Result<Calls> {
    let file = object::File::parse(image)?;
    let mut calls = Calls::default();
    // The lowest bit of a function's address only says that it is Thumb code.
    let begin = |address: u64| address & !1;
    for symbol in file.symbols().filter(|symbol| symbol.kind() == SymbolKind::Text) {
        let name = rustc_demangle::demangle(symbol.name()?);
        calls.names.insert(begin(symbol.address()), format!("{name:#}"));
    }
    for section in file
        .sections()
        .filter(|section| section.kind() == object::SectionKind::Text)
    {
        for (site, relocation) in section.relocations() {
            let RelocationTarget::Symbol(index) = relocation.target() else {
                continue;
            };
            let called = begin(file.symbol_by_index(index)?.address());
            if let Some((&caller, _)) = calls.names.range(..=site).next_back() {
                calls.calls.insert((called, caller, site));
            }
        }
    }
    Ok(calls)
}

impl Calls {
    /// The address of each call by which something of ours reaches a panic, and what it calls. Whoever panics inside the standard library
    /// does so for the one who called it, so the way back goes on there.
    fn into_panics(self) -> BTreeMap<u64, String> {
        let panics = |name: &str| name.contains("panicking::") || name.ends_with("rust_begin_unwind");
        let library = |name: &str| panics(name) || name.starts_with("core::") || name.starts_with("<core::");
        let mut open: Vec<u64> = self
            .names
            .iter()
            .filter(|(_, name)| panics(name))
            .map(|(&at, _)| at)
            .collect();
        let mut seen: BTreeSet<u64> = open.iter().copied().collect();
        let mut ours = BTreeMap::new();
        while let Some(called) = open.pop() {
            for &(_, caller, site) in self.calls.range((called, 0, 0)..=(called, u64::MAX, u64::MAX)) {
                if !self.names.get(&caller).is_some_and(|name| library(name)) {
                    ours.insert(site, self.names[&called].clone());
                } else if seen.insert(caller) {
                    open.push(caller);
                }
            }
        }
        ours
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_library_does_for_us_is_traced_to_us() {
        let names = [
            (1, "core::panicking::panic_fmt"),
            (2, "core::slice::index::fail"),
            (3, "bellcrank_core::plan::step"),
            (4, "bellcrank_core::gate::step"),
            (5, "core::slice::sort"),
        ];
        let calls = Calls {
            names: names.map(|(at, name)| (at, name.to_owned())).into(),
            // The panic from `fail` alone; that from plan, at two places; plan from gate; `sort`, which cannot panic, from gate.
            calls: [(1, 2, 20), (2, 3, 30), (2, 3, 31), (3, 4, 40), (5, 4, 41)].into(),
        };
        let fail = || "core::slice::index::fail".to_owned();
        assert_eq!(calls.into_panics(), [(30, fail()), (31, fail())].into());
    }
}
