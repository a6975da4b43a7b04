//! The laws of a map, tried on the maps of these tests and on random ones.

use proptest::prelude::*;
use stepchain::map::RegisterMap;
use stepchain_sim::{conformance, random_map};
use stepchain_tests::maps::{Mirrored, Prefixed, Twin};

#[test]
fn the_maps_of_other_shapes_keep_every_law() {
    for layout in [&Mirrored::LAYOUT, &Prefixed::LAYOUT, &Twin::LAYOUT] {
        let report = conformance::check(layout);
        assert!(report.is_kept(), "{}\n{report}", layout.name);
    }
}

/// On this map an axis arrives, and is sent on, before its motion is looked at.
#[test]
fn an_arrival_before_the_last_motion_is_not_taken_for_its_own() {
    let report = conformance::check(random_map::layout(2_896_144_370));
    assert!(report.is_kept(), "{report}");
}

proptest! {
    // A map takes a second or so without optimisation, and one that hardly fits its units more.
    #![proptest_config(ProptestConfig { max_shrink_iters: 0, ..ProptestConfig::with_cases(12) })]

    #[test]
    fn a_random_map_keeps_every_law(seed: u32) {
        let report = conformance::check(random_map::layout(u64::from(seed)));
        prop_assert!(report.is_kept(), "random map {seed}\n{report}");
    }
}
