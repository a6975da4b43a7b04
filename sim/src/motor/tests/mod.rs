//! The whole motor against closed forms, facts of the trade, and a second integrator.

mod bridges;
mod friction;
mod locked;
mod oracle;
mod starts;
mod stops;
mod trade;
