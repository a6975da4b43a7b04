//! A shadow copy: what the shared registers of one device hold, for maps whose registers are not read before a write.
//!
//! Several fields may share a register, and a write replaces all of them. Where the map says
//! [`SharedWrite::Shadow`](crate::map::SharedWrite::Shadow), the driver must know the others. It keeps no state of its
//! own: the firmware holds one [`Shadow`] for each device, and every write of a field goes through it. The copy is
//! of what was *asked*: after a transfer that failed, send the command again; after a reset, [`Shadow::reset`].

use crate::command::{AxisCommand, Command, CommandError};
use crate::map::{Layout, Parameter, Register, SharedWrite};
use crate::units::Value;

use super::Setting;

/// What the `R` shared registers of one device hold.
///
/// ```
/// use stepchain::Command;
/// use stepchain::map::{Layout, Parameter, RegisterMap};
/// use stepchain::reference::Latched;
/// use stepchain::settings::Shadow;
/// use stepchain::units::Amplitude;
///
/// const LAYOUT: &Layout = &Latched::LAYOUT;
/// let mut shadow = Shadow::<{ LAYOUT.shared_registers() }>::new(LAYOUT).unwrap();
/// let amplitude = Amplitude::from_per_mille(250)?;
/// let command = shadow.write(Parameter::AcceleratingAmplitude, 0, amplitude)?;
/// // By hand: 0.25 is code 128; the other field keeps its reset code 160, nine bits further up.
/// let content = 160 << 9 | 128;
/// assert_eq!(command.command, Command::WriteContent { parameter: Parameter::AcceleratingAmplitude, content });
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Clone, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Shadow<const R: usize> {
    layout: &'static Layout,
    /// Address and content of each shared register.
    contents: [(u16, u32); R],
}

impl<const R: usize> Shadow<R> {
    /// The copy for a device after power-up; `None` if the map has another number of shared registers than `R`.
    #[must_use]
    pub fn new(layout: &'static Layout) -> Option<Self> {
        if layout.shared_registers() != R {
            return None;
        }
        let mut shadow = Self { layout, contents: [(0, 0); R] };
        shadow.reset();
        Some(shadow)
    }

    /// The device has started anew: every register holds its reset code.
    pub fn reset(&mut self) {
        let registers = self.layout.registers.iter().enumerate();
        let addresses = registers.filter_map(|(index, register)| {
            let address = register.address;
            let is_first = self.layout.registers.iter().take(index).all(|other| other.address != address);
            let counts = is_first && self.layout.is_shared(address) && self.layout.is_writable(address);
            counts.then_some(address)
        });
        for (place, address) in self.contents.iter_mut().zip(addresses) {
            *place = (address, self.layout.reset_content(address));
        }
    }

    /// The command that writes one parameter and leaves its neighbours as they are; a register that it has alone is
    /// written alone.
    ///
    /// # Errors
    /// [`CommandError`] as for [`Command::WriteParameter`]; then the copy stays as it was.
    pub fn write(
        &mut self,
        parameter: Parameter,
        axis: u8,
        value: impl Into<Value>,
    ) -> Result<AxisCommand, CommandError> {
        let value = value.into();
        let (register, code) = Setting { parameter, axis, value }.code_or_error(self.layout)?;
        let Some((_, content)) = self.contents.iter_mut().find(|(address, _)| *address == register.address) else {
            return Ok(Command::WriteParameter { parameter, value }.on(axis));
        };
        *content = *content & !register.mask() | register.content(code);
        Ok(Command::WriteContent { parameter, content: *content }.on(axis))
    }
}

/// The command that writes one setting. Where the map keeps a shadow copy, the register goes out whole, with the first of
/// its fields: those that are among the settings, and the others' reset codes.
pub(crate) fn written(layout: &Layout, settings: &[Setting], entry: &Setting) -> Option<Command> {
    let Setting { parameter, axis, value } = *entry;
    let address = layout.register(parameter, axis)?.address;
    if layout.wire.shared_write != SharedWrite::Shadow || !layout.is_shared(address) {
        return Some(Command::WriteParameter { parameter, value });
    }
    let mut fields = settings.iter().filter_map(|other| {
        let (register, code) = other.code(layout).ok()?;
        (register.address == address).then_some((other, register, code))
    });
    let (first, register, code) = fields.next()?;
    let replaced = |content, register: &Register, code| content & !register.mask() | register.content(code);
    let content = replaced(layout.reset_content(address), register, code);
    let content = fields.fold(content, |content, (_, register, code)| replaced(content, register, code));
    (first == entry).then_some(Command::WriteContent { parameter, content })
}
