//! The store measured beside SQLite; see `store/main.rs`. Run `cargo bench` in this folder.
