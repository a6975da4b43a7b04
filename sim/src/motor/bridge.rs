//! What the two bridges connect the windings to, and when they change that by themselves.
//!
//! ```text
//! share of the supply   sine voltage, at most the supply
//! current               on until the wanted current flows, then decay until the period ends
//! shorted               no voltage
//! high impedance        the current returns into the supply through diodes until it is zero; then nothing
//! ```
//!
//! The state machine of one winding is [`Leg`]; its changes are crossings of a level by a current or an induced voltage,
//! found on the [`Expansion`] of the step. Diodes and switches lose no voltage here. Knows no rotor and no commands.

use stepchain::map::{BridgeState, Drive};

use super::series::{Expansion, Source, first_crossing};
use super::supply::Line;

/// How a regulated bridge lets the current fall for the rest of its period.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Decay {
    /// The winding is shorted: slow, little ripple; cannot follow a current that falls fast.
    Slow,
    /// The supply is reversed until the current is zero: fast, much ripple.
    Fast,
    /// First reversed for this share of the period, then shorted.
    Mixed(f64),
}

/// Regulation of current with a fixed frequency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Regulation {
    /// Length of a period, in seconds.
    pub period_s: f64,
    /// What follows once the current has been reached.
    pub decay: Decay,
}

impl Default for Regulation {
    /// 25 µs and slow decay.
    fn default() -> Self {
        Self { period_s: 25e-6, decay: Decay::Slow }
    }
}

/// What one winding is connected to. Signs are +1 or −1.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Leg {
    /// The commanded sine.
    Sine,
    /// The supply in the direction of this sign, until the current that way is as wanted.
    On(f64),
    /// A short circuit.
    Short,
    /// The supply against a current of this sign, until it is zero.
    Reverse(f64),
    /// Nothing, until more than the supply is induced.
    Open,
}

/// Both bridges.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Bridge {
    legs: [Leg; 2],
    wanted_a: [f64; 2],
    /// Seconds until the period of the regulation ends; negative before the first.
    period_left_s: f64,
    /// Seconds of reversed supply that are left in this period.
    fast_left_s: [f64; 2],
    /// Windings that are broken.
    broken: [bool; 2],
}

/// Less than this is no time at all, in seconds.
const INSTANT_S: f64 = 1e-13;

impl Bridge {
    pub(super) const fn new() -> Self {
        Self {
            legs: [Leg::Open; 2],
            wanted_a: [0.0; 2],
            period_left_s: -1.0,
            fast_left_s: [0.0; 2],
            broken: [false; 2],
        }
    }

    /// Opens windings (`true`) at once, or mends them: the next command, or period of the regulation, uses them again.
    pub(super) fn break_windings(&mut self, broken: [bool; 2]) {
        self.broken = broken;
        for (leg, broken) in self.legs.iter_mut().zip(broken) {
            if broken {
                *leg = Leg::Open;
            }
        }
    }

    /// Obeys a new command: what the windings are connected to from now on.
    pub(super) fn command(&mut self, bridge: BridgeState, drive: Drive, currents_a: [f64; 2]) {
        if (bridge, drive) == (BridgeState::Driven, Drive::Current) {
            return;
        }
        self.period_left_s = -1.0;
        self.legs = core::array::from_fn(|phase| match bridge {
            _ if self.broken[phase] => Leg::Open,
            BridgeState::Driven => Leg::Sine,
            BridgeState::Shorted => Leg::Short,
            BridgeState::HighImpedance => returning(currents_a[phase]),
        });
    }

    /// Whether a regulated bridge needs to be told what currents are wanted: its period is over.
    pub(super) fn is_due(&self) -> bool {
        self.period_left_s <= INSTANT_S
    }

    /// Begins a period of the regulation.
    pub(super) fn begin_period(&mut self, regulation: &Regulation, wanted_a: [f64; 2], currents_a: [f64; 2]) {
        self.period_left_s = regulation.period_s;
        self.wanted_a = wanted_a;
        let fast_share = match regulation.decay {
            Decay::Slow => 0.0,
            Decay::Fast => f64::INFINITY,
            Decay::Mixed(share) => share,
        };
        for phase in [0, 1] {
            self.fast_left_s[phase] = fast_share * regulation.period_s;
            let sign = sign(wanted_a[phase]);
            self.legs[phase] = if self.broken[phase] {
                Leg::Open
            } else if sign * currents_a[phase] < wanted_a[phase].abs() {
                Leg::On(sign)
            } else {
                self.decaying(phase, currents_a[phase])
            };
        }
    }

    fn decaying(&self, phase: usize, current_a: f64) -> Leg {
        if self.fast_left_s[phase] > INSTANT_S { returning(current_a) } else { Leg::Short }
    }

    /// Seconds until the clock of the regulation changes something.
    pub(super) fn timer_s(&self) -> f64 {
        if self.period_left_s <= 0.0 {
            return f64::INFINITY;
        }
        let fast = [0, 1].map(|phase| match self.legs[phase] {
            Leg::Reverse(_) => self.fast_left_s[phase],
            _ => f64::INFINITY,
        });
        self.period_left_s.min(fast[0]).min(fast[1])
    }

    /// What the windings are connected to, given the supply.
    pub(super) fn sources(&self, supply: &Line) -> [Source; 2] {
        let line = |sign: f64| Source::Line(sign * supply.volts, sign * supply.volts_per_s);
        self.legs.map(|leg| match leg {
            Leg::Sine => Source::Sine,
            Leg::On(sign) => line(sign),
            Leg::Short => Source::Line(0.0, 0.0),
            Leg::Reverse(sign) => line(-sign),
            Leg::Open => Source::Open,
        })
    }

    /// First instant in the step at which a winding changes its connection, and which one.
    pub(super) fn next_change(&self, expansion: &Expansion, until_s: f64, supply: &Line) -> Option<(f64, usize)> {
        let change = |phase: usize| {
            let current = |at_s| expansion.current_a(phase, at_s);
            let supply_v = |at_s: f64| supply.volts + supply.volts_per_s * at_s;
            match self.legs[phase] {
                Leg::On(sign) => first_crossing(until_s, |at_s| sign * current(at_s) - self.wanted_a[phase].abs()),
                Leg::Reverse(sign) => first_crossing(until_s, |at_s| -sign * current(at_s)),
                Leg::Open if !self.broken[phase] => {
                    first_crossing(until_s, |at_s| expansion.induced_v(phase, at_s).abs() - supply_v(at_s) - 1e-9)
                }
                Leg::Open | Leg::Sine | Leg::Short => None,
            }
        };
        let changes = [0, 1].map(|phase| change(phase).map(|at_s| (at_s, phase)));
        changes.into_iter().flatten().min_by(|a, b| a.0.total_cmp(&b.0))
    }

    /// Carries out the change of one winding; `current_a` becomes exactly what the change is about.
    pub(super) fn change(&mut self, phase: usize, current_a: &mut f64, induced_v: f64) {
        self.legs[phase] = match self.legs[phase] {
            Leg::On(sign) => {
                *current_a = sign * self.wanted_a[phase].abs();
                self.decaying(phase, *current_a)
            }
            Leg::Reverse(_) => {
                *current_a = 0.0;
                Leg::Open
            }
            Leg::Open => Leg::Reverse(sign(induced_v)),
            other => other,
        };
    }

    /// Lets time pass for the regulation's clock.
    pub(super) fn elapse(&mut self, duration_s: f64) {
        if self.period_left_s <= 0.0 {
            return;
        }
        self.period_left_s -= duration_s;
        for phase in [0, 1] {
            if let Leg::Reverse(_) = self.legs[phase] {
                self.fast_left_s[phase] -= duration_s;
                if self.fast_left_s[phase] <= INSTANT_S {
                    self.legs[phase] = Leg::Short;
                }
            }
        }
    }
}

/// A winding whose current flows back into the supply.
fn returning(current_a: f64) -> Leg {
    if current_a == 0.0 { Leg::Open } else { Leg::Reverse(sign(current_a)) }
}

/// +1 for zero as well.
fn sign(value: f64) -> f64 {
    if value < 0.0 { -1.0 } else { 1.0 }
}
