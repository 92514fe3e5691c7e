//! One table of a document, and the getters for what may stand in it.

use std::cell::{Cell, RefCell};
use std::fmt::Display;
use std::ops::{Range, RangeInclusive};

use nalgebra::{Vector2, Vector3};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::complaint::Ledger;
use super::units;

/// Longest text a key may hold, characters.
const TEXT_MAX: usize = 200;

/// One table of a document while it is being read.
///
/// Getters take the key, unit and all, and return SI; see the [module](super) for what they return where the file is wrong.
#[derive(Debug)]
pub struct Table<'d> {
    ledger: &'d Ledger<'d>,
    /// None for a table that is not there: getters then return stand-ins without a word, as its absence has been reported.
    entries: Option<&'d DeTable<'d>>,
    span: Range<usize>,
    path: String,
    asked: RefCell<Vec<Asked>>,
    complaints_before: usize,
    rest_passed_over: Cell<bool>,
}

/// A key that was asked for.
#[derive(Debug)]
struct Asked {
    key: &'static str,
    /// What it should have been, where it is not there but has to be.
    lacking: Option<String>,
}

impl<'d> Table<'d> {
    pub(super) fn root(ledger: &'d Ledger<'d>, entries: &'d DeTable<'d>) -> Self {
        Self::new(ledger, Some(entries), 0..0, String::new())
    }

    fn new(ledger: &'d Ledger<'d>, entries: Option<&'d DeTable<'d>>, span: Range<usize>, path: String) -> Self {
        let complaints_before = ledger.len();
        Table {
            ledger,
            entries,
            span,
            path,
            asked: RefCell::default(),
            complaints_before,
            rest_passed_over: Cell::new(false),
        }
    }

    /// Lets `build` read the table, then reports what it lacks and what nobody asked for.
    pub(super) fn read<T>(self, build: impl FnOnce(&Table<'d>) -> T) -> T {
        let value = build(&self);
        self.finish();
        value
    }

    /// True if there has been nothing to complain about in this table and the tables in it.
    pub fn clean(&self) -> bool {
        let lacking = self.asked.borrow().iter().any(|a| a.lacking.is_some());
        self.entries.is_some() && !lacking && self.ledger.len() == self.complaints_before
    }

    /// Complains about the value of `key`, or about the table where it has no such key. A key of a table in this one is written
    /// as in complaints, `joint / range_deg`; an empty key is the table itself.
    pub fn complain(&self, key: &str, found: impl Into<String>, wanted: impl Into<String>) {
        if self.entries.is_some() {
            let span = self.value(key).map_or(self.span.clone(), Spanned::span);
            self.ledger.add(span, self.path_to(key), found, wanted);
        }
    }

    /// Complains about the value of `key` as the file has it.
    pub fn wrong(&self, key: &str, wanted: impl Into<String>) {
        self.complain(key, self.words(key), wanted);
    }

    /// The value of `key` in the words of the file, "nothing" where it has none.
    pub fn words(&self, key: &str) -> String {
        self.value(key)
            .map_or_else(|| "nothing".to_owned(), |value| describe(value.get_ref()))
    }

    /// `key` if the file has it: for what may be left out, as in
    /// `t.optional("noise_mv").map(|key| t.number(key, 0.0..=100.0))`.
    pub fn optional(&self, key: &'static str) -> Option<&'static str> {
        self.asked.borrow_mut().push(Asked { key, lacking: None });
        self.entries?.contains_key(key).then_some(key)
    }

    /// Leaves the keys nobody asked for unjudged: for a table whose kind is not known.
    pub fn pass_over_rest(&self) {
        self.rest_passed_over.set(true);
    }

    /// A number, given in the unit of its key within `range`; returned in SI.
    pub fn number(&self, key: &'static str, range: RangeInclusive<f64>) -> f64 {
        let wanted = || format!("a number {}", within(&range));
        self.find(key, wanted)
            .map_or(f64::NAN, |value| self.to_si(key, value, &range, wanted))
    }

    /// Two numbers, both within `range`; in SI.
    pub fn pair(&self, key: &'static str, range: RangeInclusive<f64>) -> (f64, f64) {
        let [a, b] = self.array(key, &range, "two numbers");
        (a, b)
    }

    /// Two numbers within `range`, the second greater than the first; in SI.
    pub fn rising(&self, key: &'static str, range: RangeInclusive<f64>) -> (f64, f64) {
        let (a, b) = self.pair(key, range);
        if a >= b {
            self.wrong(key, "the smaller number first");
        }
        (a, b)
    }

    /// Three numbers, each within `range`; in SI.
    pub fn vector3(&self, key: &'static str, range: RangeInclusive<f64>) -> Vector3<f64> {
        self.array(key, &range, "three numbers").into()
    }

    /// A list of numbers, each within `range`; in SI.
    pub fn numbers(&self, key: &'static str, range: RangeInclusive<f64>) -> Vec<f64> {
        let wanted = || format!("a list of numbers {}", within(&range));
        self.list(key, wanted, |value| self.to_si(key, value, &range, wanted))
    }

    /// A list of points in a plane, two numbers each, every number within `range`; in SI.
    pub fn points(&self, key: &'static str, range: RangeInclusive<f64>) -> Vec<Vector2<f64>> {
        let wanted = || format!("a list of points, each two numbers {}", within(&range));
        self.list(key, wanted, |value| self.to_array(key, value, &range, wanted).into())
    }

    /// A whole number within `range`.
    pub fn whole<N>(&self, key: &'static str, range: RangeInclusive<N>) -> N
    where
        N: TryFrom<i128> + PartialOrd + Display + Copy,
    {
        let wanted = || format!("a whole number {}", within(&range));
        self.find(key, wanted)
            .map_or(*range.start(), |value| self.to_whole(key, value, &range, wanted))
    }

    /// A list of whole numbers, each within `range`.
    pub fn wholes<N>(&self, key: &'static str, range: RangeInclusive<N>) -> Vec<N>
    where
        N: TryFrom<i128> + PartialOrd + Display + Copy,
    {
        let wanted = || format!("a list of whole numbers {}", within(&range));
        self.list(key, wanted, |value| self.to_whole(key, value, &range, wanted))
    }

    /// A text of 1 to 200 characters on one line. The stand-in is empty.
    pub fn text(&self, key: &'static str) -> String {
        let wanted = || format!("a text of 1 to {TEXT_MAX} characters on one line");
        self.find(key, wanted)
            .map_or(String::new(), |value| self.to_text(key, value, wanted))
    }

    /// A list of texts.
    pub fn texts(&self, key: &'static str) -> Vec<String> {
        let wanted = || "a list of texts".to_owned();
        self.list(key, wanted, |value| self.to_text(key, value, wanted))
    }

    /// True or false. The stand-in is false.
    pub fn flag(&self, key: &'static str) -> bool {
        let wanted = || "true or false".to_owned();
        self.find(key, wanted).is_some_and(|value| {
            let flag = value.get_ref().as_bool();
            flag.unwrap_or_else(|| self.refuse(key, value, wanted(), false))
        })
    }

    /// One of a few words, as what it stands for. None where the file is wrong.
    pub fn choice<T: Copy>(&self, key: &'static str, options: &[(&str, T)]) -> Option<T> {
        let words: Vec<String> = options.iter().map(|(word, _)| format!("{word:?}")).collect();
        let wanted = || words.join(" or ");
        let value = self.find(key, wanted)?;
        let chosen = options.iter().find(|(word, _)| value.get_ref().as_str() == Some(word));
        match chosen {
            Some(&(_, option)) => Some(option),
            None => self.refuse(key, value, wanted(), None),
        }
    }

    /// A table, as what `build` makes of it.
    pub fn table<T>(&self, key: &'static str, build: impl FnOnce(&Table<'d>) -> T) -> T {
        let wanted = || "a table".to_owned();
        let found = self.find(key, wanted);
        let entries = found.and_then(|value| {
            let entries = value.get_ref().as_table();
            entries.or_else(|| self.refuse(key, value, wanted(), None))
        });
        let span = found.map_or(self.span.clone(), Spanned::span);
        Table::new(self.ledger, entries, span, self.path_to(key)).read(build)
    }

    /// An array of tables, `[[key]]`; none if it is not there. A table is called by its `name` in complaints, or by its number.
    pub fn tables<T>(&self, key: &'static str, mut build: impl FnMut(&Table<'d>) -> T) -> Vec<T> {
        let Some(value) = self.optional(key).and_then(|key| self.entries?.get(key)) else {
            return Vec::new();
        };
        let wanted = || format!("tables, each under [[{key}]]");
        let Some(items) = value.get_ref().as_array() else {
            return self.refuse(key, value, wanted(), Vec::new());
        };
        let mut built = Vec::new();
        for (i, item) in items.iter().enumerate() {
            let Some(entries) = item.get_ref().as_table() else {
                self.refuse(key, item, wanted(), ());
                continue;
            };
            let name = entries.get("name").and_then(|name| name.get_ref().as_str());
            let label = name.map_or_else(|| format!("{key} {}", i + 1), |name| format!("{key} {name:?}"));
            built.push(Table::new(self.ledger, Some(entries), item.span(), self.path_to(&label)).read(&mut build));
        }
        built
    }

    /// A table whose keys are names and whose values are tables, `[key.NAME]`, in the order of the file; none if it is not there.
    pub fn named_tables<T>(&self, key: &'static str, mut build: impl FnMut(&str, &Table<'d>) -> T) -> Vec<T> {
        let Some(value) = self.optional(key).and_then(|key| self.entries?.get(key)) else {
            return Vec::new();
        };
        let wanted = || format!("tables, each under [{key}.NAME]");
        let Some(items) = value.get_ref().as_table() else {
            return self.refuse(key, value, wanted(), Vec::new());
        };
        let mut items: Vec<_> = items.iter().collect();
        items.sort_by_key(|(name, _)| name.span().start);
        let mut built = Vec::new();
        for (name, item) in items {
            let name = name.get_ref();
            let Some(entries) = item.get_ref().as_table() else {
                self.refuse(key, item, wanted(), ());
                continue;
            };
            let path = self.path_to(&format!("{key} {name:?}"));
            built.push(Table::new(self.ledger, Some(entries), item.span(), path).read(|t| build(name, t)));
        }
        built
    }

    /// The value at a key, or at keys of nested tables with " / " between them.
    fn value(&self, key: &str) -> Option<&'d Spanned<DeValue<'d>>> {
        let (first, rest) = key
            .split_once(" / ")
            .map_or((key, None), |(first, rest)| (first, Some(rest)));
        let value = self.entries?.get(first);
        rest.into_iter()
            .flat_map(|rest| rest.split(" / "))
            .fold(value, |value, key| value?.get_ref().as_table()?.get(key))
    }

    /// The value of a key that has to be there.
    fn find(&self, key: &'static str, wanted: impl FnOnce() -> String) -> Option<&'d Spanned<DeValue<'d>>> {
        let value = self.entries?.get(key);
        let lacking = if value.is_none() { Some(wanted()) } else { None };
        self.asked.borrow_mut().push(Asked { key, lacking });
        value
    }

    fn list<T>(
        &self,
        key: &'static str,
        wanted: impl Fn() -> String,
        item: impl FnMut(&Spanned<DeValue<'d>>) -> T,
    ) -> Vec<T> {
        let Some(value) = self.find(key, &wanted) else {
            return Vec::new();
        };
        match value.get_ref().as_array() {
            Some(items) => items.iter().map(item).collect(),
            None => self.refuse(key, value, wanted(), Vec::new()),
        }
    }

    /// `N` numbers; `count` says how many in words.
    fn array<const N: usize>(&self, key: &'static str, range: &RangeInclusive<f64>, count: &str) -> [f64; N] {
        let wanted = || format!("{count} {}", within(range));
        self.find(key, wanted)
            .map_or([f64::NAN; N], |value| self.to_array(key, value, range, wanted))
    }

    fn to_array<const N: usize>(
        &self,
        key: &str,
        value: &Spanned<DeValue>,
        range: &RangeInclusive<f64>,
        wanted: impl Fn() -> String,
    ) -> [f64; N] {
        match value.get_ref().as_array() {
            Some(items) if items.len() == N => std::array::from_fn(|i| {
                items
                    .get(i)
                    .map_or(f64::NAN, |item| self.to_si(key, item, range, &wanted))
            }),
            _ => self.refuse(key, value, wanted(), [f64::NAN; N]),
        }
    }

    fn to_si(
        &self,
        key: &str,
        value: &Spanned<DeValue>,
        range: &RangeInclusive<f64>,
        wanted: impl Fn() -> String,
    ) -> f64 {
        match as_number(value.get_ref()) {
            // A NaN is in no range, and infinity in none that is written here.
            Some(number) if range.contains(&number) => number * units::split(key).1,
            _ => self.refuse(key, value, wanted(), f64::NAN),
        }
    }

    fn to_whole<N>(
        &self,
        key: &str,
        value: &Spanned<DeValue>,
        range: &RangeInclusive<N>,
        wanted: impl Fn() -> String,
    ) -> N
    where
        N: TryFrom<i128> + PartialOrd + Copy,
    {
        let whole = value.get_ref().as_integer();
        let whole = whole
            .and_then(|i| i128::from_str_radix(i.as_str(), i.radix()).ok())
            .and_then(|i| N::try_from(i).ok());
        match whole {
            Some(whole) if range.contains(&whole) => whole,
            _ => self.refuse(key, value, wanted(), *range.start()),
        }
    }

    fn to_text(&self, key: &str, value: &Spanned<DeValue>, wanted: impl Fn() -> String) -> String {
        match value.get_ref().as_str() {
            Some(text) if (1..=TEXT_MAX).contains(&text.chars().count()) && !text.contains(char::is_control) => {
                text.to_owned()
            }
            _ => self.refuse(key, value, wanted(), String::new()),
        }
    }

    /// Complains about `value`, which stands at or within `key`, and hands back the stand-in.
    fn refuse<T>(&self, key: &str, value: &Spanned<DeValue>, wanted: String, stand_in: T) -> T {
        self.ledger
            .add(value.span(), self.path_to(key), describe(value.get_ref()), wanted);
        stand_in
    }

    fn path_to(&self, key: &str) -> String {
        if self.path.is_empty() {
            key.to_owned()
        } else if key.is_empty() {
            self.path.clone()
        } else {
            format!("{} / {key}", self.path)
        }
    }

    fn finish(&self) {
        let Some(entries) = self.entries else { return };
        let mut asked = self.asked.take();
        let mut unknown: Vec<_> = entries
            .keys()
            .filter(|key| asked.iter().all(|a| a.key != key.get_ref()))
            .collect();
        unknown.sort_by_key(|key| key.span().start);
        if self.rest_passed_over.get() {
            unknown.clear();
        }
        for key in unknown {
            // An unknown key that was meant as a lacking one is one mistake, not two.
            let free: Vec<&'static str> = asked
                .iter()
                .map(|a| a.key)
                .filter(|key| !entries.contains_key(*key))
                .collect();
            let wanted = match units::meant(key.get_ref(), &free) {
                Some((meant, unit_only)) => {
                    asked.retain(|a| a.key != meant);
                    format!(
                        "{meant}{}",
                        if unit_only { ": the unit belongs in the key" } else { "" }
                    )
                }
                None if free.is_empty() => "it taken out: all keys of this table are there already".to_owned(),
                None => format!("it taken out, or one of {}", free.join(", ")),
            };
            self.ledger
                .add(key.span(), self.path_to(key.get_ref()), "an unknown key", wanted);
        }
        for Asked { key, lacking } in asked {
            if let Some(wanted) = lacking {
                self.ledger.add(self.span.clone(), self.path_to(key), "nothing", wanted);
            }
        }
    }
}

/// A range in words.
fn within<N: Display>(range: &RangeInclusive<N>) -> String {
    format!("from {} to {}", range.start(), range.end())
}

/// Whole numbers are numbers too.
fn as_number(value: &DeValue) -> Option<f64> {
    match value {
        DeValue::Float(float) => float.as_str().parse().ok(),
        DeValue::Integer(i) => i128::from_str_radix(i.as_str(), i.radix()).ok().map(|i| i as f64),
        _ => None,
    }
}

/// A value in the words of the file, shortened.
fn describe(value: &DeValue) -> String {
    match value {
        DeValue::String(text) if text.chars().count() > 40 => format!("a text of {} characters", text.chars().count()),
        DeValue::String(text) => format!("{text:?}"),
        DeValue::Integer(i) => i.to_string(),
        DeValue::Float(f) => f.to_string(),
        DeValue::Boolean(b) => b.to_string(),
        DeValue::Datetime(date) => format!("the date {date}"),
        DeValue::Array(items)
            if items.len() <= 4 && items.iter().all(|i| !i.get_ref().is_array() && !i.get_ref().is_table()) =>
        {
            let items: Vec<String> = items.iter().map(|item| describe(item.get_ref())).collect();
            format!("[{}]", items.join(", "))
        }
        DeValue::Array(items) => format!("a list of {}", items.len()),
        DeValue::Table(_) => "a table".to_owned(),
    }
}
