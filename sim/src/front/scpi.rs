//! The language of the text panels: SCPI-99 headers in short and long form, the common commands of IEEE 488.2, the error
//! queue and the status registers.
//!
//! Owns: how a line is taken apart, and what is the same for every panel. What a panel does beside that it says by
//! patterns such as `SOURce:FREQuency`: capitals are the short form. A leading `:` and parts in one line behind `;` are
//! understood; a part behind `;` begins at the root.

use std::collections::VecDeque;

/// Entries that the error queue holds (the last is then -350).
const QUEUE: usize = 16;

/// Bits of the standard event status register (IEEE 488.2, 11.5.1).
const COMMAND_ERROR: u8 = 1 << 5;
const EXECUTION_ERROR: u8 = 1 << 4;
const DEVICE_ERROR: u8 = 1 << 3;
const OPERATION_COMPLETE: u8 = 1;
const POWER_ON: u8 = 1 << 7;

/// A command or question of a line.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Part {
    header: String,
    /// True for a question.
    pub(super) asks: bool,
    /// What stands behind the header, parted by commas.
    pub(super) arguments: Vec<String>,
}

impl Part {
    fn read(text: &str) -> Option<Self> {
        let text = text.trim().trim_start_matches(':');
        let (header, rest) = text.split_once(char::is_whitespace).unwrap_or((text, ""));
        let asks = header.ends_with('?');
        let header = header.trim_end_matches('?').to_ascii_uppercase();
        let arguments = rest.split(',').map(str::trim).filter(|a| !a.is_empty()).map(str::to_owned).collect();
        (!header.is_empty()).then_some(Self { header, asks, arguments })
    }

    /// True if the header is of this pattern; nodes may carry the number 1.
    pub(super) fn is(&self, pattern: &str) -> bool {
        let nodes: Vec<&str> = self.header.split(':').collect();
        let wanted: Vec<&str> = pattern.split(':').collect();
        nodes.len() == wanted.len() && nodes.iter().zip(wanted).all(|(node, pattern)| matches(node, pattern))
    }

    /// The number at the end of the header, such as 3 of `INPut3`.
    pub(super) fn suffix(&self) -> Option<usize> {
        let digits = self.header.len() - self.header.trim_end_matches(|c: char| c.is_ascii_digit()).len();
        self.header.get(self.header.len() - digits..)?.parse().ok()
    }

    /// The header without a number at its end.
    pub(super) fn stem(&self) -> Self {
        let header = self.header.trim_end_matches(|c: char| c.is_ascii_digit()).to_owned();
        Self { header, ..self.clone() }
    }

    /// Its only argument.
    fn argument(&self) -> Result<&str, Refusal> {
        match self.arguments.as_slice() {
            [one] => Ok(one),
            [] => Err(Refusal(-109, "Missing parameter")),
            _ => Err(Refusal(-108, "Parameter not allowed")),
        }
    }

    /// Its only argument as a number, with or without one of these units.
    pub(super) fn number(&self, units: &[(&str, f64)]) -> Result<f64, Refusal> {
        let text = self.argument()?.to_ascii_uppercase();
        let split = text.find(|c: char| !(c.is_ascii_digit() || ".+-E".contains(c))).unwrap_or(text.len());
        let (number, unit) = text.split_at(split);
        let value = number.parse::<f64>().map_err(|_| Refusal(-104, "Data type error"))?;
        let unit = unit.trim();
        let factor = units.iter().find(|(name, _)| *name == unit).map(|(_, factor)| *factor);
        match factor.or(unit.is_empty().then_some(1.0)) {
            Some(factor) => Ok(value * factor),
            None => Err(Refusal(-131, "Invalid suffix")),
        }
    }

    /// Its only argument as a switch.
    pub(super) fn switch(&self) -> Result<bool, Refusal> {
        match self.argument()?.to_ascii_uppercase().as_str() {
            "ON" | "1" => Ok(true),
            "OFF" | "0" => Ok(false),
            _ => Err(Refusal(-224, "Illegal parameter value")),
        }
    }

    /// Its only argument as one of these patterns; returns its place.
    pub(super) fn word(&self, patterns: &[&str]) -> Result<usize, Refusal> {
        let word = self.argument()?.to_ascii_uppercase();
        let found = patterns.iter().position(|p| matches(&word, p));
        found.ok_or(Refusal(-224, "Illegal parameter value"))
    }
}

/// True if a node is the short or the long form of a pattern.
fn matches(node: &str, pattern: &str) -> bool {
    let node = node.strip_suffix('1').unwrap_or(node);
    let short: String = pattern.chars().filter(|c| !c.is_ascii_lowercase()).collect();
    node == short || node == pattern.to_ascii_uppercase()
}

/// Why a part is not carried out: number and text of SCPI-99 volume 2, 21.8.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Refusal(pub(super) i16, pub(super) &'static str);

impl Refusal {
    /// A value that is beyond what there is.
    pub(super) const OUT_OF_RANGE: Self = Self(-222, "Data out of range");
    /// No such command.
    pub(super) const UNDEFINED: Self = Self(-113, "Undefined header");
}

/// What a part gives: an answer as bytes without the end of the line, or nothing for a command.
pub(super) type Done = Result<Option<Vec<u8>>, Refusal>;

/// An answer of text.
pub(super) fn text(answer: impl Into<String>) -> Done {
    Ok(Some(answer.into().into_bytes()))
}

/// What every panel has: errors and status.
#[derive(Debug)]
pub(super) struct Status {
    identity: String,
    errors: VecDeque<Refusal>,
    events: u8,
    event_mask: u8,
    service_mask: u8,
}

impl Status {
    /// A panel that was just switched on.
    pub(super) fn new(identity: String) -> Self {
        Self { identity, errors: VecDeque::new(), events: POWER_ON, event_mask: 0, service_mask: 0 }
    }

    /// Carries out a line; `own` is what the panel itself understands.
    pub(super) fn line(&mut self, line: &str, mut own: impl FnMut(&Part) -> Done) -> Vec<u8> {
        let mut answers: Vec<Vec<u8>> = Vec::new();
        for part in line.split(';').filter(|p| !p.trim().is_empty()) {
            let done = match Part::read(part) {
                Some(part) => self.common(&part).unwrap_or_else(|| own(&part)),
                None => Err(Refusal(-102, "Syntax error")),
            };
            match done {
                Ok(answer) => answers.extend(answer),
                Err(refusal) => self.note(refusal),
            }
        }
        let mut out = answers.join(&b';');
        if !out.is_empty() {
            out.push(b'\n');
        }
        out
    }

    fn note(&mut self, refusal: Refusal) {
        self.events |= match refusal.0 {
            -199..=-100 => COMMAND_ERROR,
            -299..=-200 => EXECUTION_ERROR,
            _ => DEVICE_ERROR,
        };
        if self.errors.len() >= QUEUE {
            self.errors.pop_back();
            self.errors.push_back(Refusal(-350, "Queue overflow"));
        } else {
            self.errors.push_back(refusal);
        }
    }

    /// Status byte (IEEE 488.2, 11.2; SCPI-99 volume 1, 9): error queue, event summary, request for service.
    fn byte(&self) -> u8 {
        let queue = u8::from(!self.errors.is_empty()) << 2;
        let summary = u8::from(self.events & self.event_mask != 0) << 5;
        let byte = queue | summary;
        byte | u8::from(byte & self.service_mask != 0) << 6
    }

    /// What is the same for every panel; `None` for what is the panel's own.
    fn common(&mut self, part: &Part) -> Option<Done> {
        let mask = |part: &Part| part.number(&[]).and_then(byte);
        Some(match (part.header.as_str(), part.asks) {
            ("*IDN", true) => text(self.identity.clone()),
            ("*CLS", false) => {
                self.errors.clear();
                self.events = 0;
                Ok(None)
            }
            ("*ESE", false) => mask(part).map(|m| {
                self.event_mask = m;
                None
            }),
            ("*SRE", false) => mask(part).map(|m| {
                self.service_mask = m & !(1 << 6);
                None
            }),
            ("*ESE", true) => text(self.event_mask.to_string()),
            ("*SRE", true) => text(self.service_mask.to_string()),
            ("*ESR", true) => text(std::mem::take(&mut self.events).to_string()),
            ("*STB", true) => text(self.byte().to_string()),
            ("*OPC", true) => text("1"),
            ("*OPC", false) => {
                self.events |= OPERATION_COMPLETE;
                Ok(None)
            }
            ("*TST", true) => text("0"),
            ("*WAI", false) => Ok(None),
            _ if part.asks && (part.is("SYSTem:ERRor") || part.is("SYSTem:ERRor:NEXT")) => {
                let Refusal(code, words) = self.errors.pop_front().unwrap_or(Refusal(0, "No error"));
                text(format!("{code},\"{words}\""))
            }
            _ if part.asks && part.is("SYSTem:VERSion") => text("1999.0"),
            _ => return None,
        })
    }
}

/// True if a line asks for the end of all that is under way (IEEE 488.2, 10.14). Its answer waits until then.
pub(super) fn asks_for_completion(line: &str) -> bool {
    line.split(';').filter_map(Part::read).any(|part| part.asks && part.header == "*OPC")
}

fn byte(value: f64) -> Result<u8, Refusal> {
    if !(0.0..=255.0).contains(&value) {
        return Err(Refusal::OUT_OF_RANGE);
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "within a byte, as was just seen"
    )]
    Ok(value.round() as u8)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn say(status: &mut Status, line: &str) -> String {
        let said = status.line(line, |part| match part.asks {
            _ if !part.is("SOURce:FREQuency") => Err(Refusal::UNDEFINED),
            true => text("16"),
            false => part
                .number(&[("HZ", 1.0), ("KHZ", 1e3)])
                .and_then(|v| if v > 100.0 { Err(Refusal::OUT_OF_RANGE) } else { Ok(None) }),
        });
        String::from_utf8(said).unwrap()
    }

    #[test]
    fn headers_are_taken_in_both_forms() {
        let mut status = Status::new("A,B,C,D".to_owned());
        assert_eq!(say(&mut status, "*IDN?"), "A,B,C,D\n");
        for line in [":SOUR:FREQ?", "source1:frequency?", "SOUR1:FREQ?"] {
            assert_eq!(say(&mut status, line), "16\n", "{line}");
        }
        assert_eq!(say(&mut status, "SOUR:FREQ 16 HZ; SOUR:FREQ 1e-1KHZ;:SOUR:FREQ?;*OPC?"), "16;1\n");
        assert_eq!(say(&mut status, "SYST:ERR?"), "0,\"No error\"\n");
    }

    #[test]
    fn the_question_for_completion_is_known() {
        assert!(asks_for_completion(" *opc?\n") && asks_for_completion("SOUR:FREQ 16;*OPC?"));
        assert!(!asks_for_completion("*OPC") && !asks_for_completion("*IDN?;SYST:ERR?"));
    }

    #[test]
    fn what_is_refused_is_in_the_queue_and_in_the_status() {
        let mut status = Status::new(String::new());
        assert_eq!(say(&mut status, "*ESR?;*ESE 48;*SRE 32"), "128\n");
        for line in
            ["FREQUEN 1", "SOUR:FREQ", "SOUR:FREQ 200", "SOUR:FREQ 1 V", "SOUR:FREQ x", "SOUR:FREQ 1,2"]
        {
            assert_eq!(say(&mut status, line), "");
        }
        assert_eq!(say(&mut status, "*STB?;*ESR?"), "100;48\n");
        for code in ["-113", "-109", "-222", "-131", "-104", "-108", "0"] {
            assert!(say(&mut status, "SYST:ERR:NEXT?").starts_with(&format!("{code},")), "{code}");
        }
        (0..20).for_each(|_| _ = say(&mut status, "X"));
        let errors: Vec<String> = (0..17).map(|_| say(&mut status, "SYST:ERR?")).collect();
        assert_eq!(
            (errors[15].as_str(), errors[16].as_str()),
            ("-350,\"Queue overflow\"\n", "0,\"No error\"\n")
        );
    }
}
