//! The steps of a bench, and what can be said against their order before anything runs.

use stepchain::Command;
use stepchain::map::Layout;
use stepchain::units::Velocity;

use super::problem::{Problem, Source};
use super::tree::{Node, Table};
use super::{Axis, Order, Step, When, orders};
use crate::device::Switch;

/// Keys of a step that are no axes.
pub(super) const KEYS: &[&str] = &["at_s", "wait_s", "after", "note", "all"];

/// A day: what is longer is most likely a slip.
const LONGEST_S: f64 = 86_400.0;

/// Seconds at this program's surface, as nanoseconds of virtual time.
pub(super) fn nanoseconds(node: &Node<'_>) -> Result<u64, Problem> {
    let seconds = node.number("a time in seconds")?;
    if !(0.0..=LONGEST_S).contains(&seconds) {
        return Err(node.problem(format!("{seconds} s"), format!("0..={LONGEST_S} s")));
    }
    Ok((seconds * 1e9).round() as u64)
}

/// All steps in the order of the file.
pub(super) fn read(
    source: &Source<'_>,
    layout: &'static Layout,
    axes: &[Axis],
    bench: &Table<'_>,
    until_ns: Option<u64>,
) -> Result<Vec<Step>, Problem> {
    let node = bench.need("step", "a timeline of `[[step]]` tables")?;
    let mut steps: Vec<Step> = Vec::new();
    // By axis: the step that left it turning without a target.
    let mut turning = vec![None; axes.len()];
    for (index, node) in node.list("`[[step]]` tables")?.iter().enumerate() {
        let table = node.table("a `[[step]]` table")?;
        let step = step(source, layout, axes, &table)?;
        check_time(&steps, &step, &table, node)?;
        if matches!(step.when, When::Standstill(_)) {
            never_still(axes, &turning, node, "this standstill")?;
        }
        for order in &step.orders {
            let Some(place) = turning.get_mut(order.axis) else {
                continue;
            };
            match order.command {
                Command::MoveVelocity { velocity } => *place = (velocity != Velocity::ZERO).then_some(index + 1),
                // Without an edge to meet, a search goes on for ever.
                Command::SearchForSwitch { .. } => {
                    *place = has_switch(axes, order, Switch::Open).then_some(index + 1);
                }
                Command::SearchForZero { .. } => {
                    *place = has_switch(axes, order, Switch::Closed).then_some(index + 1);
                }
                Command::MoveRelative { .. }
                | Command::MoveAbsolute { .. }
                | Command::ReturnToZero
                | Command::ReturnToProbedPosition
                | Command::PulseInput { .. }
                | Command::ResetNode
                | Command::Stop { .. } => *place = None,
                _ => {}
            }
        }
        steps.push(step);
    }
    if until_ns.is_none() {
        never_still(axes, &turning, &node, "the standstill that ends the run")?;
    }
    Ok(steps)
}

/// Whether the home switch of an order's axis is such a one.
fn has_switch(axes: &[Axis], order: &Order, switch: Switch) -> bool {
    axes.get(order.axis).is_some_and(|axis| axis.machine.home_switch == switch)
}

fn step(source: &Source<'_>, layout: &'static Layout, axes: &[Axis], table: &Table<'_>) -> Result<Step, Problem> {
    let names = axes.iter().map(|axis| axis.name.as_str());
    table.only(&KEYS.iter().copied().chain(names).collect::<Vec<_>>())?;
    let mut orders: Vec<Order> = Vec::new();
    for (index, axis) in axes.iter().enumerate() {
        let Some(node) = table.get(&axis.name).or_else(|| table.get("all")) else {
            continue;
        };
        let of_device = |order: &&Order| axes.get(order.axis).is_some_and(|other| other.device == axis.device);
        if let Some(other) = orders.iter().find(of_device) {
            let other = axes.get(other.axis).map_or("", |axis| &axis.name);
            let found = format!("commands for `{other}` and `{}`, which share a device", axis.name);
            return Err(node.problem(found, "one command for each device in a step; give the other its own step"));
        }
        let (command, buffer_mode, text) = orders::read(source, layout, axis, &node)?;
        let place = source.place(orders::argument(&node).span().start);
        orders.push(Order { axis: index, command, buffer_mode, text, place });
    }
    if orders.is_empty() {
        return Err(source.problem(&table.span, "a step that asks nothing", "a command for at least one axis"));
    }
    let note = table.get("note").map(|node| node.text("a text in quotes")).transpose()?.map(str::to_owned);
    Ok(Step { when: when(source, table)?, orders, note, place: source.place(table.span.start) })
}

fn when(source: &Source<'_>, table: &Table<'_>) -> Result<When, Problem> {
    let wait = table.get("wait_s").map(|node| nanoseconds(&node)).transpose()?;
    let after = table.get("after").map(|node| node.word(&[("standstill", ())])).transpose()?;
    match (table.get("at_s"), after, wait) {
        (Some(node), None, None) => nanoseconds(&node).map(When::At),
        (None, None, Some(wait)) => Ok(When::After(wait)),
        (None, Some(()), wait) => Ok(When::Standstill(wait.unwrap_or(0))),
        (Some(_), ..) => {
            Err(source.problem(&table.span, "`at_s` beside another time", "either `at_s`, or `after` and `wait_s`"))
        }
        (None, None, None) => {
            Err(source.problem(&table.span, "a step without a time", "`at_s`, `wait_s` or `after = \"standstill\"`"))
        }
    }
}

/// A step at an instant that lies before the last one that is known for sure cannot be meant.
fn check_time(steps: &[Step], step: &Step, table: &Table<'_>, node: &Node<'_>) -> Result<(), Problem> {
    let mut known = 0;
    for earlier in steps {
        match earlier.when {
            When::At(at) => known = at,
            When::After(wait) | When::Standstill(wait) => known += wait,
        }
    }
    match step.when {
        When::At(at) if at < known => {
            let node = table.get("at_s").unwrap_or(*node);
            let known = known as f64 / 1e9;
            Err(node.problem(
                format!("{} s", at as f64 / 1e9),
                format!("{known} s or later: the step before is not sooner"),
            ))
        }
        _ => Ok(()),
    }
}

fn never_still(axes: &[Axis], turning: &[Option<usize>], node: &Node<'_>, what: &str) -> Result<(), Problem> {
    for (axis, turning) in axes.iter().zip(turning) {
        if let Some(step) = turning {
            let found = format!("axis `{}` left turning by step {step}, so that {what} would never come", axis.name);
            return Err(node.problem(found, "a `stop` for it before, or a run that ends at `until_s`"));
        }
    }
    Ok(())
}
