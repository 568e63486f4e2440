//! What lies where in a Modbus unit: contacts, registers, and numbers with their scaling, as the rig file writes them.
//!
//! Owns: the short form `"not discrete 4"`, `"input 10 bit 2"`, `"holding 5"` (addresses as they are on the wire, from 0),
//! and reading many places in few requests: places that follow each other are read at once, and no place is read that
//! nobody named, since a unit may refuse it.

use super::client::Modbus;
pub use super::client::Table;
use crate::built_in::settings::Number;
use crate::error::{DriverError, ErrorKind};
use plan_schema::read::{Node, Notes, Written};
use plan_schema::{written_table, written_words};
use serde::Serialize;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// A bit: a coil, a discrete input, or a bit of a register.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Contact {
    table: Table,
    address: u16,
    bit: Option<u8>,
    inverted: bool,
}

impl Contact {
    /// Reads such as "not discrete 4" or "input 10 bit 2".
    fn parse(text: &str) -> Option<Self> {
        let mut words = text.split_whitespace().peekable();
        let inverted = words.next_if_eq(&"not").is_some();
        let (table, address) = place(&mut words)?;
        let bit = match words.next() {
            None => None,
            Some("bit") => Some(words.next()?.parse::<u8>().ok().filter(|b| *b < 16)?),
            Some(_) => return None,
        };
        let is_register = matches!(table, Table::Input | Table::Holding);
        (words.next().is_none() && bit.is_some() == is_register).then_some(Self {
            table,
            address,
            bit,
            inverted,
        })
    }

    /// True where it can be written.
    pub(super) fn is_writable(self) -> bool {
        matches!(self.table, Table::Coil | Table::Holding)
    }

    /// Its state in an image, where it was read.
    pub(super) fn in_image(self, image: &Image) -> Option<bool> {
        let word = *image.0.get(&(self.table, self.address))?;
        Some((word >> self.bit.unwrap_or(0) & 1 == 1) != self.inverted)
    }

    /// Writes it; a bit of a register with the other bits as they are.
    pub(super) async fn write(
        self,
        modbus: &mut Modbus,
        op: &'static str,
        state: bool,
    ) -> Result<(), DriverError> {
        let raw = state != self.inverted;
        match (self.table, self.bit) {
            (Table::Coil, _) => modbus.write_coil(op, self.address, raw).await,
            (Table::Holding, Some(bit)) => {
                let words = modbus.read(op, Table::Holding, self.address, 1).await?;
                let word = words.first().copied().unwrap_or(0);
                let mask = 1_u16 << bit;
                let word = if raw { word | mask } else { word & !mask };
                modbus.write_words(op, self.address, &[word]).await
            }
            _ => Err(modbus.wrong(ErrorKind::Unsupported, op, format!("{self} can't be written"))),
        }
    }
}

impl fmt::Display for Contact {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let not = if self.inverted { "not " } else { "" };
        write!(f, "{not}{} {}", self.table.word(), self.address)?;
        self.bit.map_or(Ok(()), |bit| write!(f, " bit {bit}"))
    }
}

/// A register.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Register {
    /// Its table: input or holding.
    pub(super) table: Table,
    /// Its address.
    pub(super) address: u16,
}

impl Register {
    fn parse(text: &str) -> Option<Self> {
        let mut words = text.split_whitespace();
        let (table, address) = place(&mut words)?;
        let is_register = matches!(table, Table::Input | Table::Holding);
        (words.next().is_none() && is_register).then_some(Self { table, address })
    }

    /// True where it can be written.
    pub(super) fn is_writable(self) -> bool {
        self.table == Table::Holding
    }
}

impl fmt::Display for Register {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.table.word(), self.address)
    }
}

fn place<'a>(words: &mut impl Iterator<Item = &'a str>) -> Option<(Table, u16)> {
    let table = match words.next()? {
        "coil" => Table::Coil,
        "discrete" => Table::Discrete,
        "input" => Table::Input,
        "holding" => Table::Holding,
        _ => return None,
    };
    Some((table, words.next()?.parse().ok()?))
}

/// Reads a text that a place is written as.
fn written<T>(node: Node<'_>, notes: &Notes, parse: fn(&str) -> Option<T>, such_as: &str) -> Option<T> {
    let span = node.span.clone();
    let text = String::read(node, notes)?;
    let place = parse(&text);
    if place.is_none() {
        let message = format!("'{text}' is no place of a Modbus unit that fits here");
        let remedy = format!("write such as {such_as}; addresses count from 0, as on the wire");
        notes.error(Some(span), message, Some(remedy));
    }
    place
}

macro_rules! written_as_text {
    ($type:ty, $such_as:literal, $example:literal) => {
        impl Written for $type {
            fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
                written(node, notes, Self::parse, $such_as)
            }

            fn schema() -> Value {
                json!({ "type": "string", "examples": [$example] })
            }
        }

        impl Serialize for $type {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }
    };
}

written_as_text!(Contact, "\"coil 3\", \"not discrete 4\" or \"input 10 bit 2\"", "not discrete 4");
written_as_text!(Register, "\"input 10\" or \"holding 5\"", "holding 5");

written_words! {
    /// What a register holds.
    pub enum Kind {
        /// 16 bits without sign.
        U16 = "u16",
        /// 16 bits with sign.
        I16 = "i16",
        /// 32 bits without sign in two registers.
        U32 = "u32",
        /// 32 bits with sign in two registers.
        I32 = "i32",
        /// IEEE 754 single precision in two registers.
        F32 = "f32",
    }
}

impl Kind {
    fn words(self) -> u16 {
        match self {
            Self::U16 | Self::I16 => 1,
            Self::U32 | Self::I32 | Self::F32 => 2,
        }
    }
}

written_words! {
    /// Which of two registers comes first.
    pub enum Order {
        /// The high word.
        HighFirst = "high_first",
        /// The low word.
        LowFirst = "low_first",
    }
}

written_table! {
    /// A number in a register: `scale` times what it holds, plus `offset`.
    pub struct Reading {
        /// Where it lies; the first of two registers.
        pub register: Register,
        /// What the register holds.
        pub kind: Kind = Kind::U16,
        /// Which of two registers comes first.
        pub words: Order = Order::HighFirst,
        /// What a count is worth.
        pub scale: Number = Number(1.0),
        /// What is added.
        pub offset: Number = Number(0.0),
    }
}

impl Reading {
    /// The number in an image, where it was read and is one.
    pub(super) fn in_image(&self, image: &Image) -> Option<f64> {
        let word =
            |n: u16| image.0.get(&(self.register.table, self.register.address.checked_add(n)?)).copied();
        let double = || {
            let (first, second) = (u32::from(word(0)?), u32::from(word(1)?));
            Some(match self.words {
                Order::HighFirst => first << 16 | second,
                Order::LowFirst => second << 16 | first,
            })
        };
        let count = match self.kind {
            Kind::U16 => f64::from(word(0)?),
            Kind::I16 => f64::from(word(0)?.cast_signed()),
            Kind::U32 => f64::from(double()?),
            Kind::I32 => f64::from(double()?.cast_signed()),
            Kind::F32 => f64::from(f32::from_bits(double()?)),
        };
        Some(count * self.scale.0 + self.offset.0).filter(|v| v.is_finite())
    }
}

/// What was read of a unit: bits as 0 and 1.
#[derive(Debug, Default)]
pub(super) struct Image(BTreeMap<(Table, u16), u16>);

/// The places that are read together.
#[derive(Debug, Default, Clone)]
pub(super) struct Places(BTreeSet<(Table, u16)>);

impl Places {
    /// Adds contacts.
    pub(super) fn contacts<'a>(mut self, contacts: impl IntoIterator<Item = &'a Contact>) -> Self {
        self.0.extend(contacts.into_iter().map(|c| (c.table, c.address)));
        self
    }

    /// Adds numbers.
    pub(super) fn readings<'a>(mut self, readings: impl IntoIterator<Item = &'a Reading>) -> Self {
        for reading in readings {
            let last = reading.register.address.saturating_add(reading.kind.words() - 1);
            self.0.extend((reading.register.address..=last).map(|a| (reading.register.table, a)));
        }
        self
    }

    /// The requests that read them: table, first address, count.
    fn requests(&self) -> Vec<(Table, u16, u16)> {
        let mut requests: Vec<(Table, u16, u16)> = Vec::new();
        for (table, address) in &self.0 {
            match requests.last_mut() {
                Some((t, first, count))
                    if t == table && first.checked_add(*count) == Some(*address) && *count < table.most() =>
                {
                    *count += 1;
                }
                _ => requests.push((*table, *address, 1)),
            }
        }
        requests
    }

    /// Reads them.
    ///
    /// # Errors
    /// Where one of them can't be read.
    pub(super) async fn read(&self, modbus: &mut Modbus, op: &'static str) -> Result<Image, DriverError> {
        let mut image = Image::default();
        for (table, first, count) in self.requests() {
            let words = modbus.read(op, table, first, count).await?;
            image.0.extend((first..=u16::MAX).zip(words).map(|(address, word)| ((table, address), word)));
        }
        Ok(image)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn image(words: &[(Table, u16, u16)]) -> Image {
        Image(words.iter().map(|(t, a, w)| ((*t, *a), *w)).collect())
    }

    #[test]
    fn contacts_are_read_from_their_places() {
        let image = image(&[(Table::Coil, 3, 1), (Table::Discrete, 4, 0), (Table::Input, 10, 0b100)]);
        let state = |text: &str| Contact::parse(text).unwrap().in_image(&image);
        assert_eq!(state("coil 3"), Some(true));
        assert_eq!(state("not discrete 4"), Some(true));
        assert_eq!(state("input 10 bit 2"), Some(true));
        assert_eq!(state("not input 10 bit 3"), Some(true));
        assert_eq!(state("coil 4"), None);
        for bad in
            ["", "coil", "coil x", "coil 70000", "input 10", "coil 3 bit 1", "input 1 bit 16", "coil 3 4"]
        {
            assert!(Contact::parse(bad).is_none(), "{bad}");
        }
        assert_eq!(Contact::parse("not input 10 bit 3").unwrap().to_string(), "not input 10 bit 3");
    }

    #[test]
    fn numbers_have_their_order_and_scale() {
        let bits = 20.5_f32.to_bits();
        let (high, low) = ((bits >> 16) as u16, (bits & 0xffff) as u16);
        let image = image(&[(Table::Holding, 7, low), (Table::Holding, 8, high), (Table::Input, 0, 0xff9c)]);
        let reading = |register: &str, kind, words| Reading {
            register: Register::parse(register).unwrap(),
            kind,
            words,
            scale: Number(0.1),
            offset: Number(-1.0),
        };
        let value = |r: Reading| r.in_image(&image);
        assert!((value(reading("holding 7", Kind::F32, Order::LowFirst)).unwrap() - 1.05).abs() < 1e-6);
        assert!((value(reading("input 0", Kind::I16, Order::HighFirst)).unwrap() + 11.0).abs() < 1e-12);
        assert!((value(reading("input 0", Kind::U16, Order::HighFirst)).unwrap() - 6542.6).abs() < 1e-9);
        assert_eq!(value(reading("input 0", Kind::U32, Order::HighFirst)), None);
        assert_eq!(value(reading("input 65535", Kind::U32, Order::HighFirst)), None);
    }

    #[test]
    fn places_that_follow_each_other_are_read_at_once() {
        let contacts: Vec<Contact> =
            ["coil 0", "coil 1", "coil 3", "discrete 2", "input 9 bit 1", "input 9 bit 2"]
                .iter()
                .map(|t| Contact::parse(t).unwrap())
                .collect();
        let requests = Places::default().contacts(&contacts).requests();
        assert_eq!(
            requests,
            [(Table::Coil, 0, 2), (Table::Coil, 3, 1), (Table::Discrete, 2, 1), (Table::Input, 9, 1)]
        );
        let many = Places((0..300).map(|a| (Table::Holding, a)).collect());
        assert_eq!(many.requests().iter().map(|r| r.2).collect::<Vec<_>>(), [125, 125, 50]);
    }
}
