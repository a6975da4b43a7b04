//! What the end-to-end tests share: three more register maps, each with a wire shape of its own.
//!
//! The tests themselves stand in `tests/`.

pub mod maps;
