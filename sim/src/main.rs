//! The program `stepchain`.
fn main() {}
