//! Secrets: each in a file of its own that others can't read.
//!
//! A name without a slash is looked for among systemd's credentials first (`LoadCredential=` puts them there for the
//! service alone), then in the folder of the configuration. A name with a slash is that file.

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use super::section::Section;
use crate::config::Secret;
use crate::limits::SECRET_BYTES_MAX;

/// Examples in our files and in every guide: whoever keeps one has no secret.
const NO_SECRETS: [&str; 5] = ["change-me", "changeme", "password", "secret", "example"];

pub(super) struct Secrets {
    folder: PathBuf,
    credentials: Option<PathBuf>,
}

impl Secrets {
    pub(super) fn new(folder: &Path, credentials: Option<PathBuf>) -> Secrets {
        Secrets { folder: folder.to_owned(), credentials }
    }

    /// The secret that a key names, if the key is there.
    pub(super) fn opt(&self, section: &Section<'_, '_>, key: &str) -> Option<Secret> {
        let name: PathBuf = section.opt(key)?;
        Some(self.read(section, key, &name))
    }

    /// The secret in a file; a fault is noted at `key`.
    pub(super) fn read(&self, section: &Section<'_, '_>, key: &str, name: &Path) -> Secret {
        let refused = |what| {
            if !name.as_os_str().is_empty() {
                section.refuse(key, what);
            }
            Secret::new("")
        };
        self.text(name).map_or_else(refused, Secret::new)
    }

    /// A file name of the configuration: relative ones start at its folder.
    pub(super) fn path(&self, name: &Path) -> PathBuf {
        self.folder.join(name)
    }

    fn text(&self, name: &Path) -> Result<String, String> {
        let credential = self
            .credentials
            .as_ref()
            .map(|dir| dir.join(name))
            .filter(|path| name.components().count() == 1 && name.is_relative() && path.is_file());
        let (path, of_systemd) =
            credential.map_or_else(|| (self.path(name), false), |credential| (credential, true));
        let shown = path.display();
        let about = std::fs::metadata(&path).map_err(|error| {
            format!("`{shown}` cannot be read ({error}); put the secret into that file, alone on one line")
        })?;
        if about.len() > SECRET_BYTES_MAX {
            return Err(format!(
                "`{shown}` is longer than {SECRET_BYTES_MAX} bytes; write the secret alone into it"
            ));
        }
        // systemd guards its folder itself; the modes of the files there say nothing.
        if !of_systemd && about.permissions().mode() & 0o007 != 0 {
            return Err(format!("others can read `{shown}`; run: chmod 600 {shown}"));
        }
        let text = std::fs::read_to_string(&path)
            .map_err(|error| format!("`{shown}` cannot be read ({error}); check owner and rights"))?;
        let text = text.trim_end_matches(['\r', '\n']);
        match text {
            "" => Err(format!("`{shown}` is empty; write the secret into it")),
            _ if text.chars().any(char::is_control) => {
                Err(format!("`{shown}` has more than one line; write the secret alone into it"))
            }
            _ if NO_SECRETS.iter().any(|example| text.eq_ignore_ascii_case(example)) => {
                Err(format!("`{shown}` still holds an example; write a secret of your own into it"))
            }
            _ => Ok(text.to_owned()),
        }
    }
}
