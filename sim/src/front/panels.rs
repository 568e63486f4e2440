//! Which panel an instrument has, and the text panels: generator, amplifier, contacts, ambient sensor, gated acquisition.
//!
//! The gated acquisition is in its own module. Every text panel knows the common commands (module `scpi`), and beside them:
//! - source: `SOURce:FREQuency <Hz>`, `SOURce:VOLTage <V>`, `SOURce:VOLTage:UNIT VPP|VPK|VRMS` (VPP at the start),
//!   `SOURce:VOLTage:RAMP <s>` (the time of each change), `SOURce:FUNCtion SINusoid`, `OUTPut ON|OFF`, and their questions;
//!   a setting is in effect after the source's latency, and `*OPC?` is answered then, when a ramp has just begun;
//! - amplifier: `AMPLifier:MUTE ON|OFF`, and the questions `AMPLifier:MUTE?`, `AMPLifier:FAULt?`, `AMPLifier:CLIPping?`; a
//!   relay beside it knows the mute only;
//! - contacts: `STOP?` (1 while the emergency stop is closed), `INPut<n>?`, `OUTPut<n> ON|OFF`, `OUTPut<n>?`, n from 0;
//! - ambient: `TEMPerature?` in °C, `HUMidity?` in %.

use super::Text;
use super::gated::Gated;
use super::pace::Pace;
use super::registers::Unit;
use super::scpi::{Done, Part, Refusal, Status, text};
use crate::SimulatedRig;
use crate::amplifier::Cut;
use crate::source::Setting;
use plan_schema::rig::Instrument;
use std::f64::consts::SQRT_2;
use std::sync::{Arc, Mutex, PoisonError};

/// The panel of an instrument.
pub(super) enum Panel {
    /// Takes lines of text.
    Text(Text),
    /// Holds Modbus tables.
    Registers(Arc<Unit>),
    /// Streams frames of samples.
    Stream,
}

/// The panel of an instrument by its kind of driver; `None` for one that has none.
pub(super) fn of(rig: &SimulatedRig, instrument: &Instrument, pace: &Pace) -> Option<Panel> {
    let rig = rig.clone();
    let name = instrument.name.as_str();
    let cut = rig.wiring().cut_of(name).unwrap_or(Cut::Mute);
    Some(match instrument.driver.as_str() {
        "scpi-source" => {
            let world = rig.clone();
            let mut generator = Generator::new(rig);
            let panel = text_panel(name, move |part| generator.part(part));
            panel.busy_while(move || world.lock().source_is_behind())
        }
        "text-amplifier" => text_panel(name, move |part| amplifier(&rig, cut, part)),
        "text-contacts" => {
            let mut on = Vec::new();
            text_panel(name, move |part| contacts(&rig, &mut on, part))
        }
        "text-ambient" => text_panel(name, move |part| ambient(&rig, part)),
        "stream-acquisition" => Panel::Stream,
        "scpi-acquisition" => {
            let mut gated = Gated::new(rig, pace.sink());
            text_panel(name, move |part| gated.part(part))
        }
        "modbus-amplifier" if cut == Cut::Relay => Panel::Registers(Unit::relay(rig)),
        "modbus-amplifier" | "manual-amplifier" => Panel::Registers(Unit::amplifier(rig)),
        "modbus-contacts" => Panel::Registers(Unit::contacts(rig)),
        "modbus-ambient" => Panel::Registers(Unit::ambient(rig)),
        _ => return None,
    })
}

/// A text panel; all its connections share one state, as one instrument has.
fn text_panel(name: &str, own: impl FnMut(&Part) -> Done + Send + 'static) -> Panel {
    let identity = format!("simulated,{name},0001,{}", env!("CARGO_PKG_VERSION"));
    let state = Mutex::new((Status::new(identity), own));
    let answer = move |line: &str| {
        let mut state = state.lock().unwrap_or_else(PoisonError::into_inner);
        let (status, own) = &mut *state;
        status.line(line, own)
    };
    Panel::Text(Text { answer: Arc::new(answer), is_busy: Arc::new(|| false) })
}

impl Panel {
    /// A text panel that does not do at once what it is told.
    fn busy_while(self, is_busy: impl Fn() -> bool + Send + Sync + 'static) -> Self {
        match self {
            Self::Text(text) => Self::Text(Text { is_busy: Arc::new(is_busy), ..text }),
            other => other,
        }
    }
}

/// The generator as it is set.
struct Generator {
    rig: SimulatedRig,
    frequency: f64,
    /// Peak, V.
    amplitude: f64,
    ramp: f64,
    on: bool,
    /// Place of the unit in [`UNITS`].
    unit: usize,
}

/// Units of the amplitude, and how many of each a peak volt is.
const UNITS: [(&str, f64); 3] = [("VPP", 2.0), ("VPK", 1.0), ("VRMS", 1.0 / SQRT_2)];

impl Generator {
    fn new(rig: SimulatedRig) -> Self {
        let ramp = rig.lock().source.shortest_way();
        Self { rig, frequency: 1000.0, amplitude: 0.0, ramp, on: false, unit: 0 }
    }

    fn part(&mut self, part: &Part) -> Done {
        let per_peak = UNITS.get(self.unit).map_or(1.0, |(_, per_peak)| *per_peak);
        let flag = |on| text(u8::from(on).to_string());
        match part.asks {
            _ if part.is("SOURce:FREQuency") || part.is("FREQuency") => match part.asks {
                true => text(format!("{:+.9E}", self.frequency)),
                false => {
                    let frequency = part.number(&[("HZ", 1.0), ("KHZ", 1e3)])?;
                    self.apply(|g| g.frequency = frequency)
                }
            },
            _ if part.is("SOURce:VOLTage:UNIT") => match part.asks {
                true => text(UNITS.get(self.unit).map_or("", |(name, _)| name)),
                false => {
                    self.unit = part.word(&UNITS.map(|(name, _)| name))?;
                    Ok(None)
                }
            },
            _ if part.is("SOURce:VOLTage:RAMP") => match part.asks {
                true => text(format!("{:+.6E}", self.ramp)),
                false => {
                    let ramp = part.number(&[("S", 1.0), ("MS", 1e-3)])?;
                    self.ramp = self.rig.lock().source.way(ramp).map_err(|_| Refusal::OUT_OF_RANGE)?;
                    Ok(None)
                }
            },
            _ if part.is("SOURce:VOLTage") || part.is("VOLTage") => match part.asks {
                true => text(format!("{:+.9E}", self.amplitude * per_peak)),
                false => {
                    let amplitude = part.number(&[("V", 1.0), ("MV", 1e-3)])? / per_peak;
                    self.apply(|g| g.amplitude = amplitude)
                }
            },
            _ if part.is("SOURce:FUNCtion") || part.is("FUNCtion") => match part.asks {
                true => text("SIN"),
                false => part.word(&["SINusoid"]).map(|_| None),
            },
            _ if part.is("OUTPut") || part.is("OUTPut:STATe") => match part.asks {
                true => flag(self.on),
                false => {
                    let on = part.switch()?;
                    self.apply(|g| g.on = on)
                }
            },
            _ => Err(Refusal::UNDEFINED),
        }
    }

    /// Takes a change over if the source can make what comes of it.
    fn apply(&mut self, change: impl FnOnce(&mut Self)) -> Done {
        let before = (self.frequency, self.amplitude, self.on);
        change(self);
        let mut world = self.rig.lock();
        // An amplitude has to be possible also while the output is off.
        let want = Setting { frequency: self.frequency, amplitude: self.amplitude, over: self.ramp };
        match world.source.resolve(want) {
            Ok(setting) => {
                self.frequency = setting.frequency;
                self.amplitude = setting.amplitude;
                if self.on {
                    world.set_source(setting);
                } else if before.2 {
                    let over = world.source.shortest_way();
                    world.source_off(over);
                }
                Ok(None)
            }
            Err(_) => {
                (self.frequency, self.amplitude, self.on) = before;
                Err(Refusal::OUT_OF_RANGE)
            }
        }
    }
}

fn amplifier(rig: &SimulatedRig, cut: Cut, part: &Part) -> Done {
    let mut world = rig.lock();
    if cut == Cut::Mute {
        world.note_amplifier_contact();
    }
    let flag = |on| text(u8::from(on).to_string());
    if part.is("AMPLifier:MUTE") && !part.asks {
        let muted = part.switch()?;
        return if world.cut(cut, muted) { Ok(None) } else { Err(Refusal(-221, "Settings conflict")) };
    }
    match part.asks {
        true if part.is("AMPLifier:MUTE") => flag(world.amplifier.reads(cut)),
        _ if cut == Cut::Relay => Err(Refusal::UNDEFINED),
        true if part.is("AMPLifier:FAULt") => flag(world.amplifier.fault()),
        true if part.is("AMPLifier:CLIPping") => flag(world.amplifier.take_clipping()),
        _ => Err(Refusal::UNDEFINED),
    }
}

fn contacts(rig: &SimulatedRig, on: &mut Vec<u32>, part: &Part) -> Done {
    let mut world = rig.lock();
    let flag = |state: bool| text(u8::from(state).to_string());
    if part.is("STOP") && part.asks {
        return flag(world.emergency_stop_closed());
    }
    let (stem, number) = (part.stem(), part.suffix().ok_or(Refusal(-114, "Header suffix out of range"))?);
    if stem.is("INPut") && part.asks {
        // An input that nothing is connected to is closed.
        return flag(world.contacts().get(number).copied().unwrap_or(true));
    }
    if !stem.is("OUTPut") {
        return Err(Refusal::UNDEFINED);
    }
    let number = u32::try_from(number).map_err(|_| Refusal::OUT_OF_RANGE)?;
    if part.asks {
        return flag(on.contains(&number));
    }
    let state = part.switch()?;
    if !world.set_output(number, state) {
        return Err(Refusal(-114, "Header suffix out of range"));
    }
    on.retain(|n| *n != number);
    if state {
        on.push(number);
    }
    Ok(None)
}

fn ambient(rig: &SimulatedRig, part: &Part) -> Done {
    let world = rig.lock();
    match part.asks {
        true if part.is("TEMPerature") => text(format!("{:+.3E}", world.air().si())),
        true if part.is("HUMidity") => text(format!("{:+.3E}", world.humidity().si() * 100.0)),
        _ => Err(Refusal::UNDEFINED),
    }
}
