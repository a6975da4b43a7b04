//! Exported Rust source means the layout that it was exported from: the sources in `exported/` are what the exporter
//! writes, and they are compiled into this test.
//!
//! After a change of the exporter, `STEPCHAIN_WRITE_EXPORTED=1 cargo test -p stepchain-sim --test exported` writes
//! them anew; the test then has to pass without that.

use std::path::Path;

use stepchain::map::{Layout, RegisterMap};
use stepchain::reference;
use stepchain_sim::map_file::to_rust;
use stepchain_sim::random_map;

#[allow(unreachable_pub, reason = "exported sources are modules for others to see")]
#[rustfmt::skip]
mod exported {
    pub mod fixed_word;
    pub mod latched;
    pub mod random_5;
    pub mod random_57;
}

#[track_caller]
fn assert_exported(name: &str, type_name: &str, original: &Layout, compiled: &Layout) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/exported").join(format!("{name}.rs"));
    let source = to_rust(original, type_name);
    if std::env::var_os("STEPCHAIN_WRITE_EXPORTED").is_some() {
        std::fs::write(&path, &source).unwrap();
    }
    assert_eq!(std::fs::read_to_string(&path).unwrap(), source);
    assert_eq!(compiled, original);
}

#[test]
fn an_exported_reference_map_compiles_to_the_same_layout() {
    let (latched, fixed_word) = (reference::Latched::LAYOUT, reference::FixedWord::LAYOUT);
    assert_exported("latched", "Latched", &latched, &exported::latched::Latched::LAYOUT);
    assert_exported("fixed_word", "FixedWord", &fixed_word, &exported::fixed_word::FixedWord::LAYOUT);
}

/// These two say between them whatever a layout can say: every encoding, parts, curves, several axes, writes.
#[test]
fn an_exported_random_map_compiles_to_the_same_layout() {
    let [first, second] = [5, 57].map(random_map::layout);
    assert_exported("random_5", "Random5", first, &exported::random_5::Random5::LAYOUT);
    assert_exported("random_57", "Random57", second, &exported::random_57::Random57::LAYOUT);
}
