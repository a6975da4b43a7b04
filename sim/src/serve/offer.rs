//! The chain that is offered: requests of the firmware in, replies out, and a record of what was clocked.
//!
//! Knows the meaning of requests, and neither packets nor who asks.

use std::fmt::Write;

use embedded_hal::digital::{InputPin, PinState};
use embedded_hal::spi::{Operation, SpiDevice};
use stepchain_link::Refusal;
use stepchain_link::message::{Line, Piece, VERSION, kind, pieces};

use super::condition::{Condition, Schedule};
use crate::bench::{Bench, Problem};
use crate::chain::{Span, VirtualChain};
use crate::inject::Script;
use crate::run::chain_of;

/// One selection, as the firmware asked for it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Exchange {
    /// When it was asked for, in nanoseconds of virtual time.
    pub time_ns: u64,
    /// The bytes that went out.
    pub mosi: Vec<u8>,
    /// The bytes that came in beside them.
    pub miso: Vec<u8>,
}

/// A virtual chain for firmware.
#[derive(Debug)]
pub struct Offer {
    chain: VirtualChain,
    schedule: Schedule,
    exchanges: Vec<Exchange>,
    log: Vec<u8>,
    requests: u64,
    end: Option<u8>,
}

impl Offer {
    /// The chain of a bench, just powered up, and what shall befall it: the conditions, and the bench's faults, whose
    /// timeline begins at power-up. The settings and steps of the bench are not looked at: those are the firmware's
    /// business.
    ///
    /// # Errors
    /// [`Problem`] if the bench's map cannot work, or a fault is none that its chain can have.
    pub fn new(bench: &Bench, conditions: &[Condition]) -> Result<Self, Problem> {
        let mut schedule = Schedule::new(conditions);
        let chain = chain_of(bench)?;
        let script: Script = bench.faults.iter().map(|planned| planned.injection.clone()).collect();
        chain
            .inject(&script)
            .map_err(|error| Problem::of_file(&bench.file, error.to_string(), "faults that this chain can have"))?;
        schedule.catch_up(&chain);
        Ok(Self { chain, schedule, exchanges: Vec::new(), log: Vec::new(), requests: 0, end: None })
    }

    /// The chain, for a look.
    #[must_use]
    pub const fn chain(&self) -> &VirtualChain {
        &self.chain
    }

    /// What was clocked so far.
    #[must_use]
    pub fn exchanges(&self) -> &[Exchange] {
        &self.exchanges
    }

    /// What the firmware has said, one thing behind another as it came.
    #[must_use]
    pub fn log(&self) -> &[u8] {
        &self.log
    }

    /// How many requests were carried out.
    #[must_use]
    pub const fn requests(&self) -> u64 {
        self.requests
    }

    /// What the firmware said when it was done, if it is: 0 if all went as it should.
    #[must_use]
    pub const fn end(&self) -> Option<u8> {
        self.end
    }

    /// Lets time pass until an instant, if that is still to come.
    pub fn advance_to_ns(&mut self, at_ns: u64) {
        let now_ns = self.chain.now_ns();
        self.schedule.pass(&self.chain, at_ns.saturating_sub(now_ns));
    }

    /// Carries out a request.
    ///
    /// # Errors
    /// The [`Refusal`]; nothing has happened then.
    pub fn answer(&mut self, asked: u8, body: &[u8]) -> Result<Vec<u8>, Refusal> {
        let unreadable = Err(Refusal::Unreadable);
        let answer = match asked {
            kind::HELLO => match body {
                [VERSION] => {
                    let devices = u8::try_from(self.chain.devices()).unwrap_or(u8::MAX);
                    [&[VERSION, devices], &self.chain.now_ns().to_le_bytes()[..]].concat()
                }
                _ => return Err(Refusal::Version),
            },
            kind::TRANSACTION => self.transaction(body)?,
            kind::DELAY => {
                let Ok(ns) = body.try_into().map(u64::from_le_bytes) else { return unreadable };
                self.schedule.pass(&self.chain, ns);
                Vec::new()
            }
            kind::LINE => {
                let Some(line) = Line::from_bytes(body) else { return unreadable };
                vec![u8::from(self.is_active(line).ok_or(Refusal::NoSuchLine)?)]
            }
            kind::NOW if body.is_empty() => self.chain.now_ns().to_le_bytes().to_vec(),
            kind::LOG => {
                self.log.extend_from_slice(body);
                Vec::new()
            }
            kind::END => {
                let &[status] = body else { return unreadable };
                self.end = Some(status);
                Vec::new()
            }
            _ => return unreadable,
        };
        self.requests += 1;
        Ok(answer)
    }

    fn transaction(&mut self, body: &[u8]) -> Result<Vec<u8>, Refusal> {
        let pieces: Vec<_> = pieces(body).collect::<Result<_, _>>().map_err(|_| Refusal::Unreadable)?;
        let mosi: Vec<u8> = pieces
            .iter()
            .flat_map(|piece| if let Piece::Shift(bytes) = piece { *bytes } else { &[] })
            .copied()
            .collect();
        let mut miso = mosi.clone();
        let mut rest = miso.as_mut_slice();
        let mut operations = Vec::new();
        for piece in pieces {
            operations.push(match piece {
                Piece::Shift(bytes) => {
                    let (own, behind) = std::mem::take(&mut rest).split_at_mut(bytes.len());
                    rest = behind;
                    Operation::TransferInPlace(own)
                }
                Piece::Pause(ns) => Operation::DelayNs(ns),
            });
        }
        let time_ns = self.chain.now_ns();
        // A virtual bus has no way to fail.
        let Ok(()) = self.chain.spi().transaction(&mut operations);
        self.schedule.catch_up(&self.chain);
        self.exchanges.push(Exchange { time_ns, mosi, miso: miso.clone() });
        Ok(miso)
    }

    /// Whether a line is active; none if there is no such line.
    fn is_active(&self, line: Line) -> Option<bool> {
        let chain = &self.chain;
        let has = |device: usize| device < chain.devices();
        let span = |device: Option<u8>| match device {
            None => Some(Span::Chain),
            Some(device) => has(device.into()).then_some(Span::Device(device.into())),
        };
        let mut pin = match line {
            Line::Busy { device } => chain.busy_pin(span(device)?, PinState::High),
            Line::Fault { device } => chain.fault_pin(span(device)?, PinState::High),
            Line::HomeSwitch { device, axis } => {
                let (device, axis) = (usize::from(device), usize::from(axis));
                if !has(device) || axis >= usize::from(chain.layout_of(device).axes) {
                    return None;
                }
                chain.home_switch_pin(device, axis, PinState::High)
            }
            _ => return None,
        };
        pin.is_high().ok()
    }
}

/// Selections as a capture of bytes already framed: a line for each, in the columns `time_s,frame,mosi,miso`.
#[must_use]
pub fn frames_csv(exchanges: &[Exchange]) -> String {
    let mut text = "time_s,frame,mosi,miso\n".to_owned();
    let hex = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    for (number, Exchange { time_ns, mosi, miso }) in exchanges.iter().enumerate() {
        let (seconds, rest) = (time_ns / 1_000_000_000, time_ns % 1_000_000_000);
        // Writing to a text has no way to fail.
        let _ = writeln!(text, "{seconds}.{rest:09},{number},{},{}", hex(mosi), hex(miso));
    }
    text
}
