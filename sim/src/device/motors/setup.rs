//! What a motor is attached with: the motor, what it turns, what it hangs on, and what its device makes of heat.

use crate::motor::{Heat, Load, MotorData, MotorFile, NodeData, Regulation, Supply};

/// A motor for an axis.
///
/// **Physical**: the rotor with its load, which the home switch sees; end stops, a blocked rotor and open windings hold
/// it or its currents. **Noticed by the device**, every [`LOOK_NS`](super::LOOK_NS), and through the same conditions and latches as what is
/// [injected](crate::inject):
///
/// * **Stall**, by current: a winding whose current exceeds the map's stall limit while steps are made. In step the
///   back-EMF stands against the voltage, and a rotor that stands induces none, so that the current rises. It is the
///   detector of which the map has a register. It shows nothing where the back-EMF is small (at low speed), where the
///   current is regulated, or in a winding that is open: as a real one, it can miss a stall. A map without a stall limit
///   shows none.
/// * **Overcurrent**: a current above the map's limit, ripple and swings included. A map without a limit shows none.
/// * **Overtemperature** and its warning: the node of the [`OutputStage`], not the winding, which no device can feel.
/// * **Undervoltage**: the supply below [its limit](Self::undervoltage_v).
/// * **Lost steps**: no flag tells them, the log does; first that the rotor is out of step, and at rest how many it has lost.
///
/// ```
/// use stepchain::{map::RegisterMap, reference::Latched};
/// use stepchain_sim::chain::VirtualChain;
/// use stepchain_sim::device::MotorSetup;
/// use stepchain_sim::motor;
///
/// let file = motor::load("../examples/motors/demo.toml".as_ref())?;
/// let chain = VirtualChain::new(&Latched::LAYOUT, 1)?;
/// chain.attach_motor(0, 0, &MotorSetup::from(&file));
/// assert!(chain.motor(0, 0).is_some());
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Clone, Debug, PartialEq)]
pub struct MotorSetup {
    /// The motor.
    pub motor: MotorData,
    /// What it turns.
    pub load: Load,
    /// The supply of its bridges over virtual time.
    pub supply: Supply,
    /// How warm it is as it is attached.
    pub heat: Heat,
    /// How the bridge regulates the current, on a map whose amplitude is a current.
    pub regulation: Regulation,
    /// The output stage of the device that drives it.
    pub stage: OutputStage,
    /// Supply below which the device shuts its bridges off, in volts.
    pub undervoltage_v: f64,
}

/// How the output stage of a device gets warm, and what the device does about it.
///
/// One node: the loss R·(i_a² + i_b²) of the switches heats it, and it loses heat to the air. The device warns above one
/// temperature and shuts the bridges off above another; both end [`HYSTERESIS_K`] below.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OutputStage {
    /// Temperature of the air, in degrees Celsius.
    pub ambient_c: f64,
    /// Resistance in the way of the current of one winding, in ohms. It only heats: what it takes of the voltage is left
    /// out, as everywhere in the model of the bridge.
    pub resistance_ohm: f64,
    /// What it takes to warm it.
    pub node: NodeData,
    /// Temperature above which the device warns, in degrees Celsius.
    pub warning_c: f64,
    /// Temperature above which it shuts its bridges off, in degrees Celsius.
    pub shut_off_c: f64,
}

/// By how much the output stage must have cooled below a limit that it has exceeded, in kelvins.
pub const HYSTERESIS_K: f64 = 15.0;
/// What a device without a limit of its own takes for undervoltage, in volts.
const UNDERVOLTAGE_V: f64 = 8.0;

impl OutputStage {
    /// A stage in air of a temperature, in degrees Celsius, with invented but likely data: 0.3 Ω, 15 J/K, 20 K/W, a
    /// warning above 125 °C, off above 150 °C.
    #[must_use]
    pub const fn in_air(ambient_c: f64) -> Self {
        Self {
            ambient_c,
            resistance_ohm: 0.3,
            node: NodeData { capacity_j_per_k: 15.0, resistance_k_per_w: 20.0 },
            warning_c: 125.0,
            shut_off_c: 150.0,
        }
    }
}

impl MotorSetup {
    /// A motor with its load on a supply, as warm as the air.
    #[must_use]
    pub fn new(motor: &MotorData, load: &Load, supply: &Supply) -> Self {
        Self {
            motor: *motor,
            load: *load,
            supply: supply.clone(),
            heat: Heat::at_ambient(&motor.heat),
            regulation: Regulation::default(),
            stage: OutputStage::in_air(motor.heat.ambient_c),
            undervoltage_v: UNDERVOLTAGE_V,
        }
    }
}

impl From<&MotorFile> for MotorSetup {
    /// The motor of a file with its load on its nominal supply.
    fn from(file: &MotorFile) -> Self {
        Self::new(&file.motor, &file.load, &Supply::constant(file.supply.nominal_v))
    }
}
