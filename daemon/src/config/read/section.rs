//! A walk over a TOML document that goes on after an error, so that all are told at once.
//!
//! A [`Section`] is a table with typed getters. A value that can't be used is noted, and a harmless one is returned in
//! its place: nothing that was read is used once there is a problem. When the closure that reads a section returns,
//! each key that was not asked for is a problem.

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::fmt;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::value::{self, Value};

/// What is wrong, where, and what to write instead.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    pub file: String,
    /// From 1.
    pub line: usize,
    /// Dotted path of the key, as `broker.port`; empty where the file as a whole is meant.
    pub key: String,
    pub what: String,
}

/// A text and the problems found in it.
pub(super) struct Reader<'t> {
    file: &'t str,
    text: &'t str,
    problems: RefCell<Vec<Problem>>,
}

/// One table of the document.
pub(super) struct Section<'r, 'i> {
    reader: &'r Reader<'r>,
    /// Dotted path, empty for the document itself.
    path: String,
    table: &'r DeTable<'i>,
    span: Range<usize>,
    asked: RefCell<BTreeSet<String>>,
}

// === impl Problem ===

impl Problem {
    pub(super) fn of_file(file: &str, what: String) -> Problem {
        Problem { file: file.to_owned(), line: 1, key: String::new(), what }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Problem { file, line, key, what } = self;
        if key.is_empty() {
            write!(f, "{file}:{line}: {what}")
        } else {
            write!(f, "{file}:{line}: {key}: {what}")
        }
    }
}

// === impl Reader ===

impl<'t> Reader<'t> {
    pub(super) fn new(file: &'t str, text: &'t str) -> Reader<'t> {
        Reader { file, text, problems: RefCell::default() }
    }

    /// Reads the document; `None` where it is no TOML, since then every key would look missing.
    pub(super) fn document<T>(&self, read: impl FnOnce(&Section<'_, '_>) -> T) -> Option<T> {
        let (table, errors) = DeTable::parse_recoverable(self.text);
        if !errors.is_empty() {
            for error in errors {
                let what = format!("{}; correct the TOML here", error.message().replace('\n', ", "));
                self.note(error.span().unwrap_or(0..0), String::new(), what);
            }
            return None;
        }
        let top = Section {
            reader: self,
            path: String::new(),
            span: 0..0,
            table: table.get_ref(),
            asked: RefCell::default(),
        };
        let read = read(&top);
        top.refuse_unknown();
        Some(read)
    }

    pub(super) fn into_problems(self) -> Vec<Problem> {
        let mut problems = self.problems.into_inner();
        problems.sort_by_key(|problem| (problem.file != self.file, problem.line));
        problems.dedup();
        problems
    }

    fn note(&self, span: Range<usize>, key: String, what: String) {
        let before = self.text.get(..span.start).unwrap_or(self.text);
        let line = before.bytes().filter(|byte| *byte == b'\n').count() + 1;
        self.problems.borrow_mut().push(Problem { file: self.file.to_owned(), line, key, what });
    }
}

// === impl Section ===

impl<'r, 'i> Section<'r, 'i> {
    /// A value that may be left out.
    pub(super) fn opt<T: Value>(&self, key: &str) -> Option<T> {
        let found = self.get(key)?;
        match T::read(found.get_ref()) {
            Ok(value) => Some(value),
            Err(why) => {
                let what = format!("{why}; write {}", T::WANTED);
                self.reader.note(found.span(), self.path_of(key), what);
                Some(T::stand_in())
            }
        }
    }

    pub(super) fn or<T: Value>(&self, key: &str, default: T) -> T {
        self.opt(key).unwrap_or(default)
    }

    /// A value that must be there.
    pub(super) fn need<T: Value>(&self, key: &str) -> T {
        self.opt(key).unwrap_or_else(|| {
            self.refuse(key, format!("is missing; write {}", T::WANTED));
            T::stand_in()
        })
    }

    /// One word of a closed set.
    pub(super) fn choice<T: Clone>(&self, key: &str, words: &[(&'static str, T)]) -> Option<T> {
        let word: String = self.opt(key)?;
        let found = words.iter().find(|(known, _)| known.eq_ignore_ascii_case(&word));
        if found.is_none() && !word.is_empty() {
            let what = format!("`{word}` is not known here; write {}", choices(words));
            self.refuse(key, what);
        }
        found.map(|(_, value)| value.clone())
    }

    /// As `choice`, where the key must be there. `None` only beside a noted problem.
    pub(super) fn need_choice<T: Clone>(&self, key: &str, words: &[(&'static str, T)]) -> Option<T> {
        if !self.has(key) {
            self.refuse(key, format!("is missing; write {}", choices(words)));
        }
        self.choice(key, words)
    }

    /// A table that may be left out.
    pub(super) fn section<T>(&self, key: &str, read: impl FnOnce(&Section<'_, '_>) -> T) -> Option<T> {
        let found = self.get(key)?;
        let Some(table) = found.get_ref().as_table() else {
            let what =
                format!("is {}; write a table: [{}]", value::a_kind(found.get_ref()), self.path_of(key));
            self.reader.note(found.span(), self.path_of(key), what);
            return None;
        };
        Some(self.enter(key, table, found.span(), read))
    }

    pub(super) fn need_section<T>(&self, key: &str, read: impl FnOnce(&Section<'_, '_>) -> T) -> Option<T> {
        if !self.has(key) {
            self.refuse(key, format!("is missing; add the table [{}]", self.path_of(key)));
        }
        self.section(key, read)
    }

    /// The tables of `[[key]]`, none at all included.
    pub(super) fn sections<T>(&self, key: &str, mut read: impl FnMut(&Section<'_, '_>) -> T) -> Vec<T> {
        let Some(found) = self.get(key) else {
            return Vec::new();
        };
        let Some(array) = found.get_ref().as_array() else {
            let what = format!(
                "is {}; write each one as a table: [[{}]]",
                value::a_kind(found.get_ref()),
                self.path_of(key)
            );
            self.reader.note(found.span(), self.path_of(key), what);
            return Vec::new();
        };
        let mut all = Vec::with_capacity(array.len());
        for item in array {
            match item.get_ref().as_table() {
                Some(table) => all.push(self.enter(key, table, item.span(), &mut read)),
                None => self.reader.note(
                    item.span(),
                    self.path_of(key),
                    format!("write each one as a table: [[{}]]", self.path_of(key)),
                ),
            }
        }
        all
    }

    /// The texts of a table whose keys the person chooses: (key, text), in order of the keys.
    pub(super) fn named_texts(&self, key: &str) -> Vec<(String, String)> {
        let names = |section: &Section<'_, '_>| {
            let keys: Vec<String> = section.table.keys().map(|key| key.get_ref().to_string()).collect();
            keys.into_iter().map(|key| (key.clone(), section.need(&key))).collect()
        };
        self.section(key, names).unwrap_or_default()
    }

    pub(super) fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    /// Notes a problem at a key: at its value if it is there, else at the head of the section.
    pub(super) fn refuse(&self, key: &str, what: String) {
        let span = self.table.get(key).map_or_else(|| self.span.clone(), Spanned::span);
        self.reader.note(span, self.path_of(key), what);
    }

    /// Notes a problem of another file that this one names.
    pub(super) fn refuse_elsewhere(&self, problem: Problem) {
        self.reader.problems.borrow_mut().push(problem);
    }

    /// Refuses each of `keys` that is there, with the reason.
    pub(super) fn refuse_each(&self, keys: &[&str], why: &str) {
        for key in keys.iter().filter(|key| self.has(key)) {
            self.refuse(key, why.to_owned());
        }
    }

    fn enter<T>(
        &self,
        key: &str,
        table: &DeTable<'_>,
        span: Range<usize>,
        read: impl FnOnce(&Section<'_, '_>) -> T,
    ) -> T {
        let section =
            Section { reader: self.reader, path: self.path_of(key), table, span, asked: RefCell::default() };
        let value = read(&section);
        section.refuse_unknown();
        value
    }

    fn get(&self, key: &str) -> Option<&'r Spanned<DeValue<'i>>> {
        self.asked.borrow_mut().insert(key.to_owned());
        self.table.get(key)
    }

    fn refuse_unknown(&self) {
        let asked = self.asked.borrow();
        for key in self.table.keys().filter(|key| !asked.contains(key.get_ref().as_ref())) {
            let free = asked.iter().filter(|known| !self.has(known)).map(String::as_str);
            let here =
                if self.path.is_empty() { "in this file".to_owned() } else { format!("of [{}]", self.path) };
            let what = if let Some(nearest) = value::nearest(key.get_ref(), free) {
                format!("is no key {here}; did you mean `{nearest}`?")
            } else {
                let known: Vec<&str> = asked.iter().map(String::as_str).collect();
                format!("is no key {here}; the keys are {}", known.join(", "))
            };
            self.reader.note(key.span(), self.path_of(key.get_ref()), what);
        }
    }

    fn path_of(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }
}

/// `"a"`, `"a" or "b"`, `"a", "b" or "c"`.
fn choices<T>(words: &[(&'static str, T)]) -> String {
    let quoted: Vec<String> = words.iter().map(|(word, _)| format!("\"{word}\"")).collect();
    match quoted.split_last() {
        Some((last, [])) => last.clone(),
        Some((last, others)) => format!("{} or {last}", others.join(", ")),
        None => String::new(),
    }
}
