//! The most load that a turning motor keeps in step: by the formula, and by loading a simulated motor until it loses.

use stepchain::map::Drive;

use super::data::{Load, MotorData, Windings};
use super::drive::Turning;
use super::setting::{Amplitudes, Setting};
use super::{Motor, Supply};

/// Pull-out torque at a peak voltage per phase and a speed in full steps/s, in N·m:
/// T = p·ψ·V/Z − p·ω_e·ψ²·R/Z² with ψ = K/N_r and p = N_r.
///
/// P. Acarnley, *Stepping Motors: a guide to theory and practice*, chapter on high-speed operation (from memory). Torque
/// at the rotor, before friction; negative where the voltage cannot even overcome what the turning motor brakes itself.
#[must_use]
pub fn pull_out_torque_n_m(windings: &Windings, volts: f64, velocity: f64) -> f64 {
    let constant = windings.back_emf_v_s_per_rad;
    let impedance = windings.impedance_ohm(velocity);
    constant * volts / impedance
        - constant * windings.back_emf_v(velocity) * windings.resistance_ohm / (impedance * impedance)
}

/// Seconds that a load is watched before it counts as held.
const WATCH_S: f64 = 0.4;
/// Lag beyond which step is lost, in full steps: two more and the next pole has the rotor.
const LOST_STEPS: f64 = 5.0;
/// Lag that a rotor which is held may gain in the last quarter of the watch, in full steps: beyond its pull-out torque
/// the damper lets it slip slowly rather than fall behind at once.
const STILL_STEPS: f64 = 0.02;
/// Resolution of the search, as a share of the torque K·V/Z that the whole current of the speed makes.
const RESOLUTION: f64 = 5e-4;

/// Pull-out torque by simulation, in N·m, friction of motor and load included; zero if it cannot even turn by itself.
///
/// An ideal sine of a peak voltage per phase turns the motor, whose windings stay at the temperature of the air. The load
/// grows in steps, which are halved each time that step is lost, from the state before. A **vanishing damper** (torque
/// in proportion to the deviation from the commanded speed) keeps the rotor from the oscillation that is unstable in
/// the middle of the range: without it the real motor loses a slowly growing load earlier, and
/// [`unstable_bands`](super::unstable_bands) says where.
#[must_use]
pub fn simulated_pull_out_torque_n_m(data: &MotorData, load: &Load, volts: f64, velocity: f64) -> f64 {
    let mut motor = Motor::new(&cold(data), &Load { torque_n_m: 0.0, ..*load }, &Supply::constant(volts));
    let full_n_m = data.back_emf_v_s_per_rad * volts / data.windings(data.heat.ambient_c).impedance_ohm(velocity);
    let inertia = data.inertia_kg_m2(load);
    // Half of the critical damping of a swing at the full torque of this speed: with more, a rotor that is lost slips
    // behind so slowly that it looks held.
    motor.set_vanishing_damper(libm::sqrt(full_n_m * data.teeth() * inertia));
    let setting = Setting { drive: Drive::Voltage, ..Setting::uncompensated(Amplitudes::all(1.0)) };
    let drive = Turning { since_ns: 0, angle_steps: 0.0, velocity, setting: &setting };
    motor.set_motion(0.0, velocity, [0.0; 2]);
    if !keeps_up(&mut motor, &drive) {
        return 0.0;
    }
    let (mut held_n_m, mut more_n_m) = (0.0, full_n_m / 16.0);
    while more_n_m >= RESOLUTION * full_n_m {
        let mut trial = motor.clone();
        trial.set_load(&Load { torque_n_m: held_n_m + more_n_m, ..*load });
        if keeps_up(&mut trial, &drive) {
            (motor, held_n_m) = (trial, held_n_m + more_n_m);
        } else {
            more_n_m *= 0.5;
        }
    }
    held_n_m + data.steady_torque_n_m(&Load { torque_n_m: 0.0, ..*load }, velocity)
}

/// The same motor with windings that do not warm: so much heat that a second's loss does not show.
fn cold(data: &MotorData) -> MotorData {
    let mut data = *data;
    data.heat.winding.capacity_j_per_k = 1e12;
    data
}

/// Watches a turning motor; whether it stays with the field, and has found its lag in the end.
fn keeps_up(motor: &mut Motor, drive: &Turning<'_>) -> bool {
    const LOOKS: u32 = 40;
    let start_ns = motor.now_ns();
    let (mut lag, mut before) = (0.0_f64, 0.0);
    for look in 1..=LOOKS {
        let until_ns = start_ns + (WATCH_S * 1e9 * f64::from(look) / f64::from(LOOKS)) as u64;
        motor.advance(until_ns, drive);
        lag = drive.angle_steps + drive.velocity * (until_ns - drive.since_ns) as f64 * 1e-9 - motor.position_steps();
        if lag.abs() > LOST_STEPS {
            return false;
        }
        if look == LOOKS / 4 * 3 {
            before = lag;
        }
    }
    lag - before < STILL_STEPS
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motor::file;

    /// By hand at standstill: K·V/R.
    #[test]
    fn at_standstill_the_pull_out_torque_is_that_of_the_whole_current() {
        let windings = Windings { resistance_ohm: 2.0, inductance_h: 1e-3, back_emf_v_s_per_rad: 0.3, teeth: 50.0 };
        assert!((pull_out_torque_n_m(&windings, 4.0, 0.0) - 0.6).abs() < 1e-12);
    }

    /// The formula as P. Acarnley prints it (from memory), with flux and pole numbers instead of K, and the greatest of the
    /// torques over all leads of the voltage, from the phasors.
    #[test]
    fn the_formula_is_the_greatest_torque_of_any_lead() {
        let windings = file::demo().motor.windings(25.0);
        for velocity in [50.0, 300.0, 1000.0, 4000.0] {
            let (pole_pairs, volts) = (50.0, 24.0);
            let flux = windings.back_emf_v_s_per_rad / pole_pairs;
            let omega = velocity * core::f64::consts::FRAC_PI_2;
            let square = libm::pow(windings.resistance_ohm, 2.0) + libm::pow(omega * windings.inductance_h, 2.0);
            let printed = pole_pairs * flux * volts / square.sqrt()
                - pole_pairs * omega * flux * flux * windings.resistance_ohm / square;
            let found = pull_out_torque_n_m(&windings, volts, velocity);
            assert!((found - printed).abs() < 1e-12);
            let (reactance, emf) = (omega * windings.inductance_h, omega * flux);
            let torque = |lead: f64| {
                let (direct, quadrature) = (volts * libm::cos(lead), volts * libm::sin(lead) - emf);
                windings.back_emf_v_s_per_rad * (quadrature * windings.resistance_ohm - direct * reactance) / square
            };
            let greatest = (0..36_000).map(|lead| torque(f64::from(lead) * 1e-4 * 2.0)).fold(f64::MIN, f64::max);
            assert!((found - greatest).abs() < 1e-6, "{found} and {greatest} at {velocity}");
        }
    }

    /// The bound of the project's outside checks: 3 % of the formula or 0.5 % of the holding torque, whichever is larger.
    /// The formula knows no detent, so the motor has none here.
    #[test]
    fn a_simulated_motor_with_a_vanishing_damper_pulls_out_where_the_formula_says() {
        let file = file::demo();
        let data = MotorData { detent_torque_n_m: 0.0, ..file.motor };
        let holding_n_m = data.holding_torque_n_m();
        let windings = data.windings(data.heat.ambient_c);
        for velocity in [50.0, 200.0, 500.0, 1000.0, 2000.0, 3000.0, 4000.0] {
            let volts = if velocity < 300.0 { 4.0 } else { 24.0 };
            let formula = pull_out_torque_n_m(&windings, volts, velocity);
            let simulated = simulated_pull_out_torque_n_m(&data, &file.load, volts, velocity);
            let bound = (0.03 * formula).max(0.005 * holding_n_m);
            assert!((simulated - formula).abs() <= bound, "{simulated}, not {formula} ± {bound}, at {velocity}");
        }
    }

    /// The same bound where the reactance is 30 times the resistance and the back-EMF four times the voltage: the torque at
    /// standstill says nothing about the one at speed.
    #[test]
    fn a_large_motor_far_above_the_speed_of_its_voltage_pulls_out_where_the_formula_says() {
        let data = MotorData {
            resistance_ohm: 0.35,
            inductance_h: 3.6e-3,
            back_emf_v_s_per_rad: 1.0,
            rated_current_a: 6.0,
            rotor_inertia_kg_m2: 3e-4,
            detent_torque_n_m: 0.0,
            viscous_friction_n_m_s_per_rad: 2e-3,
            ..file::demo().motor
        };
        let load = Load { inertia_kg_m2: 6e-4, viscous_friction_n_m_s_per_rad: 1e-3, ..Load::default() };
        let windings = data.windings(data.heat.ambient_c);
        for velocity in [1000.0, 2000.0] {
            let formula = pull_out_torque_n_m(&windings, 15.0, velocity);
            let simulated = simulated_pull_out_torque_n_m(&data, &load, 15.0, velocity);
            let bound = (0.03 * formula).max(0.005 * data.holding_torque_n_m());
            assert!((simulated - formula).abs() <= bound, "{simulated}, not {formula} ± {bound}, at {velocity}");
        }
    }
}
