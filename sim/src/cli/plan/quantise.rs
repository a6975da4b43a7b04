//! A move in the codes of a map: what was asked, which code comes nearest, what that code really means.

use serde::Serialize;
use stepchain::map::{Coding, Layout, Parameter, Piece, Request, Source, Verb};
use stepchain::units::{Unit, Value};

use super::super::Failure;
use crate::bench::bits;
use crate::motion::line::AxisMove;
use crate::report::number;
use crate::text::table;

/// The codes of a move.
#[derive(Debug, Serialize)]
pub(super) struct Quantised {
    map: &'static str,
    pub(super) asked_distance_steps: f64,
    microsteps_per_step: u16,
    microsteps: i64,
    settings: Vec<Setting>,
    /// What the map cannot express, and what was taken instead.
    notes: Vec<String>,
}

/// One parameter in the codes of its register.
#[derive(Debug, Serialize)]
struct Setting {
    parameter: &'static str,
    value: f64,
    unit: &'static str,
    code: u32,
    quantised: f64,
}

impl Quantised {
    pub(super) fn words(&self) -> String {
        let row = |setting: &Setting| {
            let code = format!("{:#x}", setting.code);
            let (asked, really) = (number(setting.value), number(setting.quantised));
            vec![setting.parameter.to_owned(), asked, code, really, setting.unit.to_owned()]
        };
        let mut rows: Vec<_> = self.settings.iter().map(row).collect();
        let really = self.microsteps as f64 / f64::from(self.microsteps_per_step);
        rows.push(vec![
            "distance".to_owned(),
            number(self.asked_distance_steps),
            format!("{}", self.microsteps),
            number(really),
            format!("steps, in microsteps of 1/{}", self.microsteps_per_step),
        ]);
        let notes: String = self.notes.iter().map(|note| format!("\nNote: {note}\n")).collect();
        table(&["parameter", "asked", "code", "really", "unit"], &rows, &[1, 2, 3]) + &notes
    }
}

/// The move that the codes of axis 0 really mean, at this resolution.
pub(super) fn quantise(
    layout: &'static Layout,
    resolution: u16,
    asked: &AxisMove,
) -> Result<(AxisMove, Quantised), Failure> {
    let microsteps = distance(layout, asked.distance, resolution)?;
    let mut quantised = Quantised {
        map: layout.name,
        asked_distance_steps: asked.distance,
        microsteps_per_step: resolution,
        microsteps,
        settings: Vec::new(),
        notes: Vec::new(),
    };
    let mut really = AxisMove { distance: microsteps as f64 / f64::from(resolution), ..*asked };
    let ramp = &mut really.ramp;
    let mut acceleration = ramp.acceleration;
    for (parameter, value) in [
        (Parameter::ProfileVelocity, &mut ramp.velocity),
        (Parameter::ProfileAcceleration, &mut ramp.acceleration),
        (Parameter::ProfileDeceleration, &mut ramp.deceleration),
        (Parameter::StartStopVelocity, &mut ramp.start_velocity),
    ] {
        match setting(layout, parameter, *value)? {
            Some(setting) => {
                *value = setting.quantised;
                if parameter == Parameter::ProfileAcceleration {
                    acceleration = setting.quantised;
                }
                quantised.settings.push(setting);
            }
            None if parameter == Parameter::ProfileDeceleration => {
                let note = format!("`{}` has no `{parameter}`; taken as the acceleration", layout.name);
                quantised.notes.push(note);
                *value = acceleration;
            }
            None if parameter == Parameter::StartStopVelocity => {
                if *value != 0.0 {
                    let note = format!("`{}` has no `{parameter}`; ramps begin and end at 0", layout.name);
                    quantised.notes.push(note);
                }
                *value = 0.0;
            }
            None => {
                let note = format!("`{}` has no `{parameter}`; taken as asked", layout.name);
                quantised.notes.push(note);
            }
        }
    }
    if ramp.start_velocity > ramp.velocity {
        quantised
            .notes
            .push("the start velocity is above the cruising speed, and so has no more effect than it".to_owned());
    }
    Ok((really, quantised))
}

fn setting(layout: &'static Layout, parameter: Parameter, asked: f64) -> Result<Option<Setting>, Failure> {
    let Some(register) = layout.register(parameter, 0) else {
        return Ok(None);
    };
    let refused =
        |error: &dyn std::fmt::Display| Failure::Input(format!("`{parameter}` of `{}`: {error}", layout.name));
    let value = Value::from_bits(register.unit, bits(asked, register.unit)).map_err(|error| refused(&error))?;
    let code = register.code_of(value).map_err(|error| refused(&error))?;
    let really = register.value_of(code).map_err(|error| refused(&error))?.number();
    Ok(Some(Setting {
        parameter: parameter.name(),
        value: asked,
        unit: register.unit.symbol(),
        code,
        quantised: really.bits as f64 / (1u64 << really.fraction_bits) as f64,
    }))
}

/// The whole microsteps nearest to a distance, if one command can carry them.
fn distance(layout: &'static Layout, asked_steps: f64, resolution: u16) -> Result<i64, Failure> {
    let per_step = f64::from(resolution);
    let microsteps = bits(asked_steps * per_step, Unit::Microsteps);
    let Some((coding, is_magnitude)) = distance_coding(layout) else {
        return Ok(microsteps);
    };
    let (min, max) = coding.limits(Unit::Microsteps);
    let counted = if is_magnitude { microsteps.saturating_abs() } else { microsteps };
    if (min..=max).contains(&counted) {
        return Ok(microsteps);
    }
    let least = if is_magnitude { -max } else { min };
    let (least, greatest) = (least as f64 / per_step, max as f64 / per_step);
    Err(Failure::Input(format!(
        "found a distance of {asked_steps} steps, expected {least}..={greatest} steps, what one `{}` of `{}` can carry \
         at {resolution} microsteps a step",
        Verb::MoveRelative.name(),
        layout.name
    )))
}

/// How the map codes the distance of a move, and whether the direction is sent apart.
fn distance_coding(layout: &'static Layout) -> Option<(Coding, bool)> {
    match layout.form(Verb::MoveRelative)?.request {
        Request::Word(pieces) => {
            let coding = pieces.iter().find_map(|piece| match *piece {
                Piece::Distance { coding, .. } => Some(coding),
                _ => None,
            })?;
            Some((coding, pieces.iter().any(|piece| matches!(piece, Piece::Direction { .. }))))
        }
        Request::Writes(writes) => {
            let write = writes.iter().find(|write| write.source == Source::Argument)?;
            let is_magnitude = writes.iter().any(|write| matches!(write.source, Source::Direction { .. }));
            Some((layout.register(write.parameter, 0)?.coding, is_magnitude))
        }
    }
}

#[cfg(test)]
mod tests {
    use stepchain::map::RegisterMap;
    use stepchain::reference::Latched;

    use super::*;
    use crate::motion::profile::Ramp;

    fn asked(distance: f64, start_velocity: f64) -> AxisMove {
        let ramp = Ramp { velocity: 333.333, acceleration: 501.0, deceleration: 500.0, start_velocity };
        AxisMove { distance, ramp }
    }

    /// By hand: a fiftieth of a step/s makes 16667 codes, 333.34; two steps/s² make 250.5, so 251, 502;
    /// 0.99 steps are 63.36 microsteps, so 63.
    #[test]
    fn a_move_is_rounded_to_the_nearest_codes() {
        let (really, quantised) = quantise(&Latched::LAYOUT, 64, &asked(0.99, 0.0)).unwrap();
        assert_eq!(quantised.settings[0].code, 16_667);
        assert!((really.ramp.velocity - 333.34).abs() < 2e-4, "{really:?}");
        assert_eq!((quantised.settings[1].code, really.ramp.acceleration), (251, 502.0));
        assert_eq!((quantised.microsteps, really.distance), (63, 0.984_375));
    }

    #[test]
    fn what_the_map_lacks_is_said() {
        const BARE: &Layout = &Latched::LAYOUT.registers(&[]);
        let (really, quantised) = quantise(BARE, 64, &asked(5.0, 20.0)).unwrap();
        assert_eq!(really.ramp, Ramp { deceleration: 501.0, ..asked(5.0, 0.0).ramp });
        assert_eq!(quantised.notes.len(), 4, "{:?}", quantised.notes);
        assert!(quantised.notes[3].contains("`start-stop velocity`"), "{:?}", quantised.notes);
    }

    /// By hand: 24 bits of magnitude are 16 777 215 microsteps, 262 143.98 steps.
    #[test]
    fn a_distance_that_no_command_carries_is_refused_with_its_limits() {
        assert!(quantise(&Latched::LAYOUT, 64, &asked(-262_143.0, 0.0)).is_ok());
        let Err(Failure::Input(message)) = quantise(&Latched::LAYOUT, 64, &asked(262_144.0, 0.0)) else {
            panic!("a distance of 2^24 microsteps was taken");
        };
        assert!(message.contains("-262143.984375..=262143.984375 steps"), "{message}");
        assert!(quantise(&Latched::LAYOUT, 32, &asked(262_144.0, 0.0)).is_ok(), "half as many microsteps");
    }
}
