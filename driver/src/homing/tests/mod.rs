extern crate std;

mod model;
mod switches;
mod troubles;

use core::time::Duration;
use std::boxed::Box;
use std::vec::Vec;

use crate::map::{EdgeAction, Layout, RegisterMap, Verb};
use crate::reference::Latched;
use crate::units::{Distance, Velocity};

use super::{AxisHoming, HomingVelocities, Method, SearchLimits};

const FAST: i32 = 400;
const SLOW: i32 = 60;
const VELOCITIES: HomingVelocities = HomingVelocities {
    search_for_switch: Velocity::steps_per_s::<FAST>(),
    search_for_zero: Velocity::steps_per_s::<SLOW>(),
};
const TRAVEL: i32 = 20_000;
const LIMITS: SearchLimits = SearchLimits { travel: Distance::from_microsteps(TRAVEL), time: Duration::from_secs(60) };

fn spec(method: Method) -> AxisHoming {
    AxisHoming::new(method, VELOCITIES, LIMITS)
}

static LATCHED: Layout = Latched::LAYOUT;

/// The first reference map without some commands.
fn without(is_left_out: impl Fn(Verb) -> bool) -> &'static Layout {
    let commands: Vec<_> = LATCHED.commands.iter().copied().filter(|form| !is_left_out(form.verb)).collect();
    Box::leak(Box::new(LATCHED.commands(Box::leak(commands.into_boxed_slice()))))
}

/// Three devices, by who finds the last edge: the device, which sets its counter; the device, which remembers; the
/// driver.
fn watchers() -> [(&'static Layout, bool); 3] {
    let zeroes = |verb| matches!(verb, Verb::SearchForSwitch(EdgeAction::Zero) | Verb::SearchForZero(EdgeAction::Zero));
    let searches = |verb| matches!(verb, Verb::SearchForSwitch(_) | Verb::SearchForZero(_));
    [(&LATCHED, true), (without(zeroes), true), (without(searches), false)]
}
