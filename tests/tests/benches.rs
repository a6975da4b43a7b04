//! Benches on maps of other shapes: mirrored bits, length prefixes, two axes in a device.

use std::path::Path;

use stepchain::map::{Layout, RegisterMap};
use stepchain_sim::bench::{Bench, BenchError, Source, parse};
use stepchain_sim::map_file;
use stepchain_sim::run::run;
use stepchain_tests::maps::{Mirrored, Prefixed, Twin};

/// The bench for a map, whose file is put beside it; each test has its own place.
fn bench(test: &str, layout: &Layout, rest: &str) -> Result<Bench, BenchError> {
    let directory = Path::new(env!("CARGO_TARGET_TMPDIR")).join(test);
    std::fs::create_dir_all(&directory).unwrap();
    std::fs::write(directory.join("map.toml"), map_file::to_toml(layout)).unwrap();
    let names = (0..2 * layout.axes).map(|index| format!("\"m{index}\"")).collect::<Vec<_>>().join(", ");
    let text = format!("chain = {{ map = \"map.toml\", axes = [{names}] }}\n{rest}");
    parse(&Source { file: directory.join("bench.toml").to_str().unwrap(), text: &text })
}

const MOVES: &str = "\
[settings.all]
profile_velocity = 200
profile_acceleration = 1000
microstep_resolution = 8
[[step]]
at_s = 0.1
m0 = { move_relative = 50 }
[[step]]
wait_s = 0.05
m1 = { move_relative = -25.5 }
[[step]]
after = \"standstill\"
m0 = { move_absolute = 7, way = \"shortest\" }
[expect]
m0 = 7
m1 = -25.5
";

#[test]
fn every_shape_of_map_carries_a_bench_in_the_fewest_bytes() {
    for (name, layout) in [("mirrored", &Mirrored::LAYOUT), ("prefixed", &Prefixed::LAYOUT), ("twin", &Twin::LAYOUT)] {
        let outcome = run(&bench(name, layout, MOVES).unwrap()).unwrap();
        assert!(outcome.is_well(), "{name}: {outcome:#?}");
        assert_eq!(outcome.bytes_on_wire, outcome.least_bytes, "{name}");
        assert_eq!((outcome.axes[0].reached_steps, outcome.axes[1].reached_steps), (7.0, -25.5), "{name}");
        assert_eq!(outcome.settings_read_back, 6 * usize::from(layout.axes), "{name}");
    }
}

#[test]
fn two_axes_of_one_device_cannot_be_commanded_in_one_step() {
    let both = "[[step]]\nat_s = 1\nm0 = { move_relative = 50 }\nm1 = \"stop\"\n";
    let error = bench("shared", &Twin::LAYOUT, both).unwrap_err().to_string();
    assert!(error.contains(":5:6: found commands for `m0` and `m1`, which share a device"), "{error}");
    let apart = both.replace("m1", "m2");
    assert!(bench("shared", &Twin::LAYOUT, &apart).is_ok(), "m2 is on the other device");
}
