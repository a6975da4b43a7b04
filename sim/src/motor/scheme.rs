//! The motor in virtual time: from one switching instant to the next, in as few steps as the tolerance allows.
//!
//! Every step ends at the first of: a change of what is commanded, a kink of the supply, the clock of a regulated
//! bridge, a change of the bridge by itself, the rotor coming to rest or breaking loose, the range of the power series.
//! So nothing jumps within a step. The temperature, which changes over seconds, is held during a step and brought up to
//! date every millisecond.

use stepchain::map::{BridgeState, Drive};

use super::Motor;
use super::data::electrical_rad_per_s;
use super::drive::Applied;
use super::heat::copper_resistance_ohm;
use super::series::{Expansion, Field, State, Terms, first_crossing};
use super::supply::Line;

/// Shorter steps than this are not made, in seconds.
const SHORTEST_S: f64 = 1e-12;
/// How long the loss is collected before the temperature follows, in seconds.
const HEAT_EVERY_S: f64 = 1e-3;
/// By how much of itself the dry friction must be exceeded for the rotor to break loose.
const BREAK_LOOSE: f64 = 1e-9;
/// Torque away from an end stop at which the rotor leaves it where nothing rubs, in N·m: nothing in any motor.
const LEAVES_N_M: f64 = 1e-12;

/// What ends a step before its time.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Event {
    /// A bridge changes the connection of a winding.
    Bridge(usize),
    /// The rotor comes to rest.
    Rest,
    /// The rotor breaks loose.
    Loose,
    /// The rotor runs against the end stop in the direction of this sign.
    Stop(f64),
}

/// What the rotor does against dry friction.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Slide {
    /// It rests.
    Stuck,
    /// It turns, or is about to, in the direction of this sign.
    Turning(f64),
    /// Nothing rubs, or something holds it for good.
    Without,
    /// It rests against the end stop in the direction of this sign.
    Leaning(f64),
}

impl Motor {
    /// Lets `duration_s` seconds pass while one command holds, on one line of the supply.
    pub(super) fn pass(&mut self, duration_s: f64, applied: &Applied, supply: Line) {
        self.bridge.command(applied.bridge, applied.drive, self.state.currents_a);
        let regulated = (applied.bridge, applied.drive) == (BridgeState::Driven, Drive::Current);
        let mut gone_s = 0.0;
        while duration_s - gone_s > SHORTEST_S {
            let supply = Line { volts: supply.volts + supply.volts_per_s * gone_s, ..supply };
            if regulated && self.bridge.is_due() {
                let (sin, cos) = libm::sincos(field_angle_rad(applied, gone_s));
                let wanted = [applied.amplitude * cos, applied.amplitude * sin];
                self.bridge.begin_period(&self.regulation, wanted, self.state.currents_a);
            }
            gone_s += self.step(duration_s - gone_s, gone_s, applied, supply);
        }
    }

    /// One step of at most `most_s` seconds, `gone_s` seconds after the command; returns its length.
    fn step(&mut self, most_s: f64, gone_s: f64, applied: &Applied, supply: Line) -> f64 {
        let mut terms = self.terms(gone_s, applied, &supply);
        let slide = self.slide(&terms);
        let dry_n_m = self.data.dry_friction_n_m(&self.load);
        match slide {
            Slide::Stuck | Slide::Leaning(_) => terms.turns = false,
            Slide::Turning(sign) => terms.outside_n_m -= sign * dry_n_m,
            Slide::Without => {}
        }
        let expansion = terms.expand(&self.state, most_s.min(self.bridge.timer_s()));
        let (mut step_s, mut event) = (expansion.valid_s.max(SHORTEST_S), None);
        if let Some((at_s, phase)) = self.bridge.next_change(&expansion, step_s, &supply) {
            (step_s, event) = (at_s.max(SHORTEST_S), Some(Event::Bridge(phase)));
        }
        if let Some((at_s, found)) = next_slide(slide, &expansion, step_s, dry_n_m) {
            (step_s, event) = (at_s.max(SHORTEST_S), Some(found));
        }
        if let Some((at_s, found)) = self.next_stop(slide, &expansion, step_s) {
            (step_s, event) = (at_s.max(SHORTEST_S), Some(found));
        }
        self.state = expansion.state(step_s);
        self.applied = (terms.sources, terms.field);
        self.bridge.elapse(step_s);
        match event {
            Some(Event::Bridge(phase)) => {
                let induced = expansion.induced_v(phase, step_s);
                self.bridge.change(phase, &mut self.state.currents_a[phase], induced);
            }
            Some(Event::Rest) => self.state.speed_rad_per_s = 0.0,
            Some(Event::Stop(sign)) => {
                self.state.speed_rad_per_s = 0.0;
                self.state.angle_rad = self.stop_rad(sign);
            }
            Some(Event::Loose) | None => {}
        }
        self.warm(terms.resistance_ohm * expansion.squares_a2_s(step_s), step_s);
        for (peak, current) in self.peaks_a.iter_mut().zip(self.state.currents_a) {
            *peak = peak.max(current.abs());
        }
        self.steps_made += 1;
        step_s
    }

    fn terms(&self, gone_s: f64, applied: &Applied, supply: &Line) -> Terms {
        let data = &self.data;
        let teeth = data.teeth();
        // Each winding saturates by itself: a field that stands between both may be longer than one alone.
        let (sin, cos) = libm::sincos(field_angle_rad(applied, gone_s));
        let most = if applied.smooth { 1.0 } else { 1.0 / sin.abs().max(cos.abs()) };
        let share = if applied.drive == Drive::Voltage { applied.amplitude.clamp(0.0, most) } else { 0.0 };
        let velocity = applied.velocity + applied.acceleration * gone_s;
        let (rad_per_s, rad_per_s2) = match applied.smooth {
            true => (electrical_rad_per_s(velocity), electrical_rad_per_s(applied.acceleration)),
            false => (0.0, 0.0),
        };
        let per_tooth = |steps: f64| electrical_rad_per_s(steps) / teeth;
        Terms {
            resistance_ohm: copper_resistance_ohm(data.resistance_ohm, data.resistance_at_c, self.heat.winding_c),
            inductance_h: data.inductance_h,
            constant: data.back_emf_v_s_per_rad,
            teeth,
            inertia_kg_m2: data.inertia_kg_m2(&self.load),
            detent_n_m: data.detent_torque_n_m,
            viscous_n_m_s_per_rad: data.viscous_friction_n_m_s_per_rad(&self.load) + self.damper_n_m_s_per_rad,
            outside_n_m: self.damper_n_m_s_per_rad * per_tooth(velocity) - self.load.torque_n_m,
            outside_n_m_per_s: self.damper_n_m_s_per_rad * per_tooth(applied.acceleration),
            turns: !self.rotor_blocked,
            sources: self.bridge.sources(supply),
            field: Field {
                volts: share * supply.volts,
                volts_per_s: share * supply.volts_per_s,
                angle_rad: field_angle_rad(applied, gone_s),
                rad_per_s,
                rad_per_s2,
            },
            scales: self.scales,
            tolerance: self.tolerance,
        }
    }

    fn slide(&mut self, terms: &Terms) -> Slide {
        if self.rotor_blocked {
            self.state.speed_rad_per_s = 0.0;
            return Slide::Without;
        }
        let dry_n_m = self.data.dry_friction_n_m(&self.load);
        if let Some(sign) = self.touches().filter(|sign| -sign * terms.torque_n_m(&self.state) <= dry_n_m) {
            self.state.speed_rad_per_s = 0.0;
            return Slide::Leaning(sign);
        }
        if dry_n_m == 0.0 {
            return Slide::Without;
        }
        let pull = match self.state.speed_rad_per_s {
            0.0 => terms.torque_n_m(&self.state),
            speed => return Slide::Turning(speed.signum()),
        };
        if pull.abs() > dry_n_m { Slide::Turning(pull.signum()) } else { Slide::Stuck }
    }

    /// The direction of the end stop that the rotor touches without turning away from it.
    fn touches(&self) -> Option<f64> {
        let at = |sign: f64| sign * (self.state.angle_rad - self.stop_rad(sign)) >= 0.0;
        [-1.0, 1.0].into_iter().find(|&sign| at(sign) && sign * self.state.speed_rad_per_s >= 0.0)
    }

    /// Electrical angle of the end stop in the direction of this sign; infinite where there is none.
    fn stop_rad(&self, sign: f64) -> f64 {
        let [least_steps, greatest_steps] = self.end_stops_steps;
        electrical_rad_per_s(if sign < 0.0 { least_steps } else { greatest_steps })
    }

    /// First instant in the step at which the rotor runs against an end stop.
    fn next_stop(&self, slide: Slide, expansion: &Expansion, until_s: f64) -> Option<(f64, Event)> {
        if self.rotor_blocked || matches!(slide, Slide::Stuck | Slide::Leaning(_)) {
            return None;
        }
        let meets = |sign: f64| {
            let stop_rad = self.stop_rad(sign);
            // What leaves a stop begins on it.
            let level = |at_s| sign * (expansion.angle_rad(at_s) - stop_rad) - f64::MIN_POSITIVE;
            let at_s = stop_rad.is_finite().then(|| first_crossing(until_s, level)).flatten()?;
            Some((at_s, Event::Stop(sign)))
        };
        [-1.0, 1.0].into_iter().filter_map(meets).min_by(|a, b| a.0.total_cmp(&b.0))
    }

    /// Lets time pass in which nothing turns and nothing is commanded anew: all that goes on is heat.
    ///
    /// `is_voltage`: the windings hang on a voltage, so that their currents fall as their resistance rises; otherwise
    /// the currents stay. Exact but for the resistance, which is held for a second at a time.
    pub(crate) fn rest(&mut self, until_ns: u64, is_voltage: bool) {
        const HELD_NS: u64 = 1_000_000_000;
        self.heat = self.heat();
        (self.loss_j, self.loss_s) = (0.0, 0.0);
        let data = self.data;
        let resistance_ohm = |winding_c| copper_resistance_ohm(data.resistance_ohm, data.resistance_at_c, winding_c);
        while self.now_ns < until_ns {
            let end_ns = until_ns.min(self.now_ns + HELD_NS);
            let before_ohm = resistance_ohm(self.heat.winding_c);
            let [a, b] = self.state.currents_a;
            let duration_s = (end_ns - self.now_ns) as f64 * 1e-9;
            self.heat = self.heat.after(&data.heat, before_ohm * (a * a + b * b), duration_s);
            if is_voltage {
                let fallen = before_ohm / resistance_ohm(self.heat.winding_c);
                self.state.currents_a = self.state.currents_a.map(|current| current * fallen);
            }
            self.now_ns = end_ns;
        }
    }

    /// Takes up copper loss, in joules, over a time.
    fn warm(&mut self, loss_j: f64, duration_s: f64) {
        self.loss_j += loss_j;
        self.loss_s += duration_s;
        if self.loss_s >= HEAT_EVERY_S {
            self.heat = self.heat.after(&self.data.heat, self.loss_j / self.loss_s, self.loss_s);
            (self.loss_j, self.loss_s) = (0.0, 0.0);
        }
    }
}

/// Commanded electrical angle, in radians, `gone_s` seconds after the command; wrapped, so that it stays exact.
fn field_angle_rad(applied: &Applied, gone_s: f64) -> f64 {
    let turned = match applied.smooth {
        true => (applied.velocity + 0.5 * applied.acceleration * gone_s) * gone_s,
        false => 0.0,
    };
    electrical_rad_per_s(libm::fmod(applied.angle_steps, 4.0) + turned)
}

/// First instant in the step at which the rotor stops sliding or starts.
fn next_slide(slide: Slide, expansion: &Expansion, until_s: f64, dry_n_m: f64) -> Option<(f64, Event)> {
    match slide {
        Slide::Without => None,
        Slide::Leaning(sign) => {
            let level = |at_s| -sign * expansion.torque_n_m(at_s) - dry_n_m * (1.0 + BREAK_LOOSE) - LEAVES_N_M;
            first_crossing(until_s, level).map(|at_s| (at_s, Event::Loose))
        }
        Slide::Turning(sign) => {
            // Strictly beyond zero: a rotor that starts from rest is at zero.
            let level = |at_s| -sign * expansion.speed_rad_per_s(at_s) - f64::MIN_POSITIVE;
            first_crossing(until_s, level).map(|at_s| (at_s, Event::Rest))
        }
        Slide::Stuck => {
            let level = |at_s| expansion.torque_n_m(at_s).abs() - dry_n_m * (1.0 + BREAK_LOOSE);
            first_crossing(until_s, level).map(|at_s| (at_s, Event::Loose))
        }
    }
}

/// The state of a rotor at rest at an electrical angle in full steps, without current.
pub(super) fn at_rest(steps: f64) -> State {
    State { currents_a: [0.0; 2], angle_rad: electrical_rad_per_s(steps), speed_rad_per_s: 0.0 }
}
