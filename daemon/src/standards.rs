//! Standards as data: the seven of `config/standards` are built in, a folder of the user's own files may be beside
//! them.
//!
//! One file is one standard; its keys are described in `standards::read`. A file that cannot be read is refused as a
//! whole, with file, line, reason and what to write instead: a standard that is half understood would prove anything.

pub mod read;

use std::collections::BTreeMap;
use std::path::Path;

use heapward_rules::ids::StandardId;
use heapward_rules::standard::Standard;

use crate::limits::{STANDARD_FILE_BYTES_MAX, STANDARD_FILES_MAX};

/// What is wrong with a file of a standard, for the person who wrote it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{file}:{line}: {what}")]
pub struct Problem {
    pub file: String,
    /// From 1.
    pub line: usize,
    /// The reason, and what to write instead.
    pub what: String,
}

const BUILT_IN: [(&str, &str); 7] = [
    ("us-organic.toml", include_str!("../../config/standards/us-organic.toml")),
    ("us-organic-5021.toml", include_str!("../../config/standards/us-organic-5021.toml")),
    ("us-biosolids.toml", include_str!("../../config/standards/us-biosolids.toml")),
    ("us-produce.toml", include_str!("../../config/standards/us-produce.toml")),
    ("us-california.toml", include_str!("../../config/standards/us-california.toml")),
    ("canada-ccme.toml", include_str!("../../config/standards/canada-ccme.toml")),
    ("eu-cmc3.toml", include_str!("../../config/standards/eu-cmc3.toml")),
];

/// The standards that come with the program.
pub fn built_in() -> Result<BTreeMap<StandardId, Standard>, Problem> {
    BUILT_IN
        .into_iter()
        .map(|(file, text)| {
            let standard = read::read(file, text).map_err(first)?;
            Ok((standard.id.clone(), standard))
        })
        .collect()
}

/// The standards that come with the program and those of the user's folder (its `*.toml` files, in order of name).
/// All problems of all files are reported at once.
pub fn load(own: Option<&Path>) -> Result<BTreeMap<StandardId, Standard>, Vec<Problem>> {
    let mut standards = built_in().map_err(|problem| vec![problem])?;
    let Some(dir) = own else {
        return Ok(standards);
    };
    let mut problems = Vec::new();
    for path in files_of(dir)? {
        let file = path.display().to_string();
        let taken = text_of(&path, &file).and_then(|text| read::read(&file, &text));
        match taken {
            Ok(standard) if standards.contains_key(&standard.id) => problems.push(Problem {
                file,
                line: 1,
                what: format!("the id `{}` is taken already; choose another id", standard.id),
            }),
            Ok(standard) => {
                standards.insert(standard.id.clone(), standard);
            }
            Err(wrong) => problems.extend(wrong),
        }
    }
    if problems.is_empty() { Ok(standards) } else { Err(problems) }
}

fn files_of(dir: &Path) -> Result<Vec<std::path::PathBuf>, Vec<Problem>> {
    let refused = |what: String| vec![Problem { file: dir.display().to_string(), line: 1, what }];
    let entries = std::fs::read_dir(dir).map_err(|error| {
        refused(format!(
            "the folder of standards cannot be read ({error}); create it or correct `standards_dir`"
        ))
    })?;
    let mut files = Vec::new();
    for entry in entries {
        let path = entry.map_err(|error| refused(format!("the folder cannot be read ({error})")))?.path();
        if path.extension().is_some_and(|extension| extension == "toml") {
            files.push(path);
        }
    }
    if files.len() > STANDARD_FILES_MAX {
        return Err(refused(format!("more than {STANDARD_FILES_MAX} standards; move some elsewhere")));
    }
    files.sort();
    Ok(files)
}

fn text_of(path: &Path, file: &str) -> Result<String, Vec<Problem>> {
    let refused = |what: String| vec![Problem { file: file.to_owned(), line: 1, what }];
    let length = std::fs::metadata(path).map_or(0, |about| about.len());
    if length > STANDARD_FILE_BYTES_MAX {
        return Err(refused(format!(
            "longer than {STANDARD_FILE_BYTES_MAX} bytes; one file holds one standard and no more"
        )));
    }
    std::fs::read_to_string(path)
        .map_err(|error| refused(format!("cannot be read ({error}); write it as plain UTF-8 text")))
}

/// The first of a list that is never empty.
fn first(problems: Vec<Problem>) -> Problem {
    problems.into_iter().next().unwrap_or(Problem { file: String::new(), line: 1, what: String::new() })
}

#[cfg(test)]
mod tests;
