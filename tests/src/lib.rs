//! End-to-end tests; the tests stand in `tests/`.
