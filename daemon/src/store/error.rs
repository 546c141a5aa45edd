//! What can go wrong with the store, in words for the person who reads it.

use std::io;
use std::path::PathBuf;

#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    #[error("{} is in use by another heapward; stop that one first (systemctl stop heapward)", .0.display())]
    Locked(PathBuf),
    #[error(
        "the store was written by a newer heapward (store format {found}, this one knows {known}); install that \
         version again, nothing was changed"
    )]
    Newer { found: u32, known: u32 },
    #[error(
        "the store has the older format {found}; this version writes {known}. Run `heapward store upgrade`"
    )]
    Older { found: u32, known: u32 },
    #[error("{file} in the store's folder is damaged: {reason}")]
    Damaged { file: &'static str, reason: String },
    #[error("{what} in the store can't be read: {reason}")]
    Encoding { what: &'static str, reason: String },
    #[error("the store's files can't be read or written: {0}")]
    Io(#[from] io::Error),
    #[error("the store's database can't be read or written: {0}")]
    Database(Box<redb::Error>),
    #[error("series {0} is unknown to the store; ask for it by its key first")]
    UnknownSeries(u32),
    #[error("the store is closed at the moment and is being opened again; try again in a minute")]
    Closed,
    /// Said by the closure of a transaction to give it up; the store itself is in order.
    #[error("{0}")]
    GivenUp(String),
}

// === impl StoreError ===

impl StoreError {
    pub(super) fn encoding(what: &'static str, reason: impl std::fmt::Display) -> StoreError {
        StoreError::Encoding { what, reason: reason.to_string() }
    }

    /// Whether what is on the disk is not what was written there.
    pub fn is_damage(&self) -> bool {
        matches!(self, StoreError::Damaged { .. } | StoreError::Encoding { .. })
    }

    /// Whether a store that could not be opened may be opened later, by itself or after somebody has made room: any
    /// fault of the card, but neither a second program at work nor another version's records.
    pub fn may_pass(&self) -> bool {
        !matches!(
            self,
            StoreError::Locked(_)
                | StoreError::Newer { .. }
                | StoreError::Older { .. }
                | StoreError::UnknownSeries(_)
        )
    }

    /// Whether the store that gave this error must be dropped and opened again. After one failed write or sync the
    /// same handle refuses every later commit, also when the disk has recovered.
    pub fn must_reopen(&self) -> bool {
        match self {
            StoreError::Io(_) | StoreError::Database(_) | StoreError::Damaged { .. } | StoreError::Closed => {
                true
            }
            StoreError::Locked(_)
            | StoreError::Newer { .. }
            | StoreError::Older { .. }
            | StoreError::Encoding { .. }
            | StoreError::UnknownSeries(_)
            | StoreError::GivenUp(_) => false,
        }
    }
}

impl From<super::bits::Malformed> for StoreError {
    fn from(error: super::bits::Malformed) -> StoreError {
        StoreError::encoding("a block", error)
    }
}

macro_rules! from_redb {
    ($($error:ty),*) => {
        $(impl From<$error> for StoreError {
            fn from(error: $error) -> StoreError {
                StoreError::Database(Box::new(error.into()))
            }
        })*
    };
}

from_redb!(
    redb::StorageError,
    redb::TableError,
    redb::TransactionError,
    redb::CommitError,
    redb::DatabaseError,
    redb::CompactionError
);
