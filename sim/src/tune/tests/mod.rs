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
use crate::motor::{self, Amplitudes, Load, MotorFile, SupplyRange};

/// The demo motor.
pub(super) fn demo() -> MotorFile {
    motor::parse(&Source { file: "demo.toml", text: include_str!("../../../../examples/motors/demo.toml") }).unwrap()
}

/// A big motor on a high voltage, whose demand bends sharply at low speed. Invented.
fn big() -> MotorFile {
    let mut file = demo();
    let motor = &mut file.motor;
    (motor.resistance_ohm, motor.inductance_h, motor.back_emf_v_s_per_rad) = (0.35, 3.6e-3, 1.0);
    (motor.rated_current_a, motor.rotor_inertia_kg_m2, motor.detent_torque_n_m) = (6.0, 3e-4, 0.1);
    (motor.viscous_friction_n_m_s_per_rad, motor.dry_friction_n_m) = (2e-3, 0.03);
    motor.heat.case = None;
    motor.heat.winding.resistance_k_per_w = 1.0;
    file.load =
        Load { inertia_kg_m2: 6e-4, torque_n_m: 0.8, viscous_friction_n_m_s_per_rad: 1e-3, dry_friction_n_m: 0.05 };
    file.supply = SupplyRange { nominal_v: 60.0, least_v: 51.0, greatest_v: 69.0 };
    file.wanted.currents_a =
        Amplitudes { standstill: 4.0, constant_velocity: 7.0, accelerating: 8.0, decelerating: 7.0 };
    file.wanted.top_velocity = 800.0;
    file
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
