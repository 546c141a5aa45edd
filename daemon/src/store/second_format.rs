//! The second format: a row of the day table for each day, under (series, day). Everything else is as it is now.

use redb::WriteTransaction;

use super::error::StoreError;
use super::schema::{DAYS, META, meta};

/// Empties the day table. It is made at the next opening, as for a site that has moved to another zone.
pub(super) fn without_days(txn: &WriteTransaction) -> Result<(), StoreError> {
    txn.delete_table(DAYS)?;
    txn.open_table(DAYS)?;
    txn.open_table(META)?.insert(meta::ZONE, b"".as_slice())?;
    Ok(())
}
