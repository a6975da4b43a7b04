//! The tuned setting against other ways to the same figures: exhaustive and random search, simulation, the formulas.

mod best;
mod heat;
mod maps;
mod physics;
mod words;

use std::sync::LazyLock;

use stepchain::map::{Layout, RegisterMap as _};
use stepchain::reference::Latched;

use super::{Options, Tuning, tune};
use crate::bench::Source;
use crate::motor::{self, MotorFile};

/// The demo motor.
pub(super) fn demo() -> MotorFile {
    motor::parse(&Source { file: "demo.toml", text: include_str!("../../../../examples/motors/demo.toml") }).unwrap()
}

fn tuned(layout: &'static Layout) -> Tuning {
    tune(&demo(), layout, &Options::default()).unwrap()
}

/// The tunings that most tests look at, computed once, since an unoptimised search takes its time; nothing changes them.
fn two_segments() -> &'static Tuning {
    static TUNING: LazyLock<Tuning> = LazyLock::new(|| tuned(&Latched::LAYOUT));
    &TUNING
}

fn four_segments() -> &'static Tuning {
    static TUNING: LazyLock<Tuning> = LazyLock::new(|| tuned(maps::FOUR_SEGMENTS));
    &TUNING
}
