//! What the rig file says about a sound interface, and what is wrong with it.
//!
//! What the *inputs* make of a sine stands with the rig's channels (`gain`, `ac_corner`, `filter_corner`, and `response` where the
//! transducer was not calibrated with what lies behind it): there it has an uncertainty and is divided out of every ratio. Here
//! stands between which frequencies it was measured.

use crate::format::SampleFormat;
use crate::response::Characterised;
use plan_schema::rig::ResponsePoint;
use plan_schema::units::{Hertz, Peak, SamplesPerSecond, Seconds, Volts, engineering};
use plan_schema::written_table;

written_table! {
    /// A sound interface.
    pub struct SoundSettings {
        /// ALSA's name of the card itself, such as "hw:CARD=Bench"; both directions are opened on it, so on one clock.
        pub device: String,
        /// ALSA's name for recording; only with `software`.
        pub capture_device: Option<String>,
        /// Says that the device is software, such as a loop without any hardware, and what for; absent for a card.
        pub software: Option<String>,
        /// The rate, exactly; nothing is resampled.
        pub rate: SamplesPerSecond,
        /// How the card packs its samples.
        pub sample_format: SampleFormat = SampleFormat::Packed24,
        /// Channels that the card has for playback.
        pub playback_channels: u32 = 2,
        /// Channels that the card has for recording.
        pub capture_channels: u32 = 2,
        /// Samples a channel that are exchanged with the card at a time.
        pub period_samples: u32 = 128,
        /// Periods that the card's buffer holds.
        pub periods: u32 = 3,
        /// The output that drives the amplifier; all others stay at 0 V.
        pub output: Output,
        /// The inputs by their number in the rig file, from 0.
        pub inputs: Vec<Input>,
    }
}

written_table! {
    /// The output, as it was measured with a voltmeter.
    pub struct Output {
        /// Which of the card's channels it is, from 0.
        pub channel: u32,
        /// Volts that a sine of full scale makes where the response is 100 %.
        pub full_scale: Volts<Peak>,
        /// What it makes of a sine, by frequency.
        pub response: Vec<ResponsePoint>,
    }
}

written_table! {
    /// An input, as it was measured with a known voltage.
    pub struct Input {
        /// Which of the card's channels it is, from 0.
        pub channel: u32,
        /// Volts that make a sine of full scale where the response of the rig's channel is 100 %.
        pub full_scale: Volts<Peak>,
        /// Lowest frequency at which it was measured.
        pub characterised_from: Hertz,
        /// Highest frequency at which it was measured.
        pub characterised_to: Hertz,
    }
}

/// Longest time that a card's buffer may hold: with the ramp the output is at 0 V within 20 ms.
const BUFFER_MAX: Seconds = Seconds::new(0.01);
/// The same of software, where nothing moves.
const BUFFER_MAX_SOFTWARE: Seconds = Seconds::new(0.5);
/// Share of the rate up to which a sine can be made and measured.
const OF_RATE: f64 = 0.45;

impl SoundSettings {
    /// Time that the card's buffer holds.
    #[must_use]
    pub fn buffer(&self) -> Seconds {
        Seconds::new(f64::from(self.period_samples) * f64::from(self.periods) / self.rate.si())
    }

    /// The output, with the band in which inputs are known too; `None` where it has no response.
    #[must_use]
    pub fn characterised(&self) -> Option<Characterised> {
        let output = Characterised::new(self.output.full_scale, &self.output.response)?;
        Some(self.inputs.iter().fold(output, |o, i| o.within(i.characterised_from, i.characterised_to)))
    }

    /// Everything that is wrong, each with its remedy.
    #[must_use]
    pub fn problems(&self) -> Vec<String> {
        let mut found = Vec::new();
        let mut wrong =
            |key: &str, what: String, remedy: &str| found.push(format!("settings.{key}: {what}; {remedy}"));
        self.of_device(&mut wrong);
        self.of_time(&mut wrong);
        self.of_output(&mut wrong);
        self.of_inputs(&mut wrong);
        found
    }

    fn of_device(&self, wrong: &mut dyn FnMut(&str, String, &str)) {
        let names = [("device", Some(&self.device)), ("capture_device", self.capture_device.as_ref())];
        for (key, name) in names.into_iter().filter_map(|(key, name)| Some((key, name?))) {
            if name.is_empty() || name.contains('\0') {
                wrong(key, "this is no name".into(), "write such as \"hw:CARD=Bench\"");
            } else if self.software.is_none() && !name.starts_with("hw:") {
                let what =
                    format!("'{name}' is not the card itself: what lies between may resample and mix unseen");
                wrong(
                    key,
                    what,
                    "write the card as hw:CARD=NAME (aplay -L lists them), or, where there is no card and nothing to be calibrated, \
                     software = \"what for\"",
                );
            }
        }
        if self.software.is_none() && self.capture_device.is_some() {
            let what = "two devices have two clocks".to_owned();
            wrong("capture_device", what, "remove it: both directions of one card are opened by device");
        }
        if self.software.as_ref().is_some_and(String::is_empty) {
            wrong("software", "this says nothing".into(), "say what for, or remove it");
        }
    }

    fn of_time(&self, wrong: &mut dyn FnMut(&str, String, &str)) {
        let rate = self.rate.si();
        if !(8_000.0..=768_000.0).contains(&rate) || rate.fract() != 0.0 {
            let what = format!("{} is no rate of a sound interface", engineering(rate, "S/s"));
            wrong("rate", what, "write such as \"48 kS/s\", the rate at which it was characterised");
            return;
        }
        if !(16..=8192).contains(&self.period_samples) || !(2..=16).contains(&self.periods) {
            let what = format!("{} periods of {} samples can't be kept", self.periods, self.period_samples);
            wrong("period_samples", what, "write 16 to 8192 samples, and 2 to 16 for settings.periods");
            return;
        }
        let most = if self.software.is_some() { BUFFER_MAX_SOFTWARE } else { BUFFER_MAX };
        if self.buffer() > most {
            let (holds, most) = (engineering(self.buffer().si(), "s"), engineering(most.si(), "s"));
            let what = format!(
                "a buffer of {holds} plays on for too long when the output has to stop, {most} at most"
            );
            wrong("period_samples", what, "write less, or fewer settings.periods");
        }
    }

    fn of_output(&self, wrong: &mut dyn FnMut(&str, String, &str)) {
        let Output { channel, full_scale, response } = &self.output;
        number(wrong, "output.channel", *channel, self.playback_channels, "playback_channels");
        volts(wrong, "output.full_scale", *full_scale);
        if response.is_empty() {
            let what = "nothing is known of the output at any frequency".to_owned();
            wrong("output.response", what, "measure it with a voltmeter and add a line for each frequency");
        }
        for (n, pair) in response.windows(2).enumerate() {
            if let [one, next] = pair
                && one.frequency >= next.frequency
            {
                let what = "frequencies have to rise from line to line".to_owned();
                wrong(&format!("output.response[{}].frequency", n + 1), what, "sort the lines");
            }
        }
        for (n, point) in response.iter().enumerate() {
            if !(point.frequency.si() > 0.0 && point.frequency.si() <= OF_RATE * self.rate.si()) {
                let what =
                    format!("{} can't be put out at this rate", engineering(point.frequency.si(), "Hz"));
                wrong(
                    &format!("output.response[{n}].frequency"),
                    what,
                    "write one above 0 Hz and up to 45 % of the rate",
                );
            }
            if !(0.01..=2.0).contains(&point.magnitude.si()) {
                let what = format!("{:.3} % of full scale is no response", point.magnitude.percent());
                wrong(
                    &format!("output.response[{n}].magnitude"),
                    what,
                    "write a share of full_scale, 1 % to 200 %",
                );
            }
        }
    }

    fn of_inputs(&self, wrong: &mut dyn FnMut(&str, String, &str)) {
        if self.inputs.is_empty() {
            wrong(
                "inputs",
                "there is none".into(),
                "add a table for each input, in the order of the rig's numbers",
            );
        }
        for (n, input) in self.inputs.iter().enumerate() {
            let at = |key: &str| format!("inputs[{n}].{key}");
            number(wrong, &at("channel"), input.channel, self.capture_channels, "capture_channels");
            if self.inputs.iter().take(n).any(|other| other.channel == input.channel) {
                wrong(&at("channel"), "an input before it is this channel too".into(), "write another");
            }
            volts(wrong, &at("full_scale"), input.full_scale);
            let (from, to) = (input.characterised_from, input.characterised_to);
            if !(from.si() > 0.0 && from < to) {
                let what =
                    "this is no band: an input that is coupled for AC shows nothing at 0 Hz".to_owned();
                wrong(&at("characterised_from"), what, "write the lowest and the highest frequency measured");
            }
        }
        if let Some((from, to)) = self.characterised().map(|c| c.known())
            && from > to
        {
            let what = "output and inputs were characterised at no common frequency".to_owned();
            wrong("inputs", what, "measure them over the same band");
        }
    }
}

fn number(wrong: &mut dyn FnMut(&str, String, &str), key: &str, channel: u32, count: u32, of: &str) {
    if channel >= count {
        let what = format!("there is no channel {channel}: settings.{of} says {count}, counted from 0");
        wrong(key, what, "write another channel, or how many the card has");
    }
}

fn volts(wrong: &mut dyn FnMut(&str, String, &str), key: &str, volts: Volts<Peak>) {
    if !(volts.si() > 0.0 && volts.si() <= 1000.0) {
        let what = format!("{} is no full scale", engineering(volts.si(), "V pk"));
        wrong(key, what, "write the volts that were measured, such as \"2.83 V pk\"");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use drivers::built_in::settings::read;
    use drivers::client::PLUG_IN;
    use plan_schema::read::Document;
    use plan_schema::rig::{Coupling, Instrument, Rig};

    const GOOD: &str = r#"
device = "hw:CARD=Bench"
rate = "48 kS/s"
inputs = [
    { channel = 0, full_scale = "2.5 V pk", characterised_from = "5 Hz", characterised_to = "10 kHz" },
    { channel = 1, full_scale = "2.6 V pk", characterised_from = "8 Hz", characterised_to = "20 kHz" },
]
[settings.output]
channel = 0
full_scale = "3 V pk"
response = [{ frequency = "4 Hz", magnitude = "95 %" }, { frequency = "1 kHz", magnitude = "100 %" }]
"#;

    fn said(old: &str, new: &str) -> String {
        assert!(old.is_empty() || GOOD.contains(old), "{old} is not there");
        let text = format!("name = \"card\"\ndriver = \"plug-in\"\n[settings]{}", GOOD.replacen(old, new, 1));
        let instrument = Document::<Instrument>::read("rig", &text).unwrap().value;
        match read::<SoundSettings>(&instrument) {
            Ok(settings) => settings.problems().join("\n"),
            Err(found) => found.join("\n"),
        }
    }

    #[test]
    fn what_is_right_is_taken() {
        assert_eq!(said("", ""), "");
        assert_eq!(said("device = \"hw:CARD=Bench\"", "device = \"loop\"\nsoftware = \"tests\""), "");
    }

    #[test]
    fn mistakes_are_said_with_key_and_remedy() {
        let device = "device = \"hw:CARD=Bench\"";
        let cases = [
            said("rate = \"48 kS/s\"", ""),
            said("rate = \"48 kS/s\"", "rate = \"48 kS/s\"\noffset = \"1 V\""),
            said(device, "device = \"plughw:0\""),
            said(device, "device = \"default\"\ncapture_device = \"hw:1\""),
            said(device, "device = \"loop\"\nsoftware = \"\""),
            said("48 kS/s", "48.5 S/s"),
            said("rate", "period_samples = 512\nrate"),
            said("rate", "periods = 1\nrate"),
            said("rate", "sample_format = \"s16_le\"\nrate"),
            said("channel = 0\nfull_scale = \"3 V pk\"", "channel = 2\nfull_scale = \"0 V pk\""),
            said("4 Hz", "0 Hz"),
            said("1 kHz", "3 Hz"),
            said("\"95 %\"", "\"0 %\""),
            said("channel = 1, full_scale = \"2.6 V pk\"", "channel = 0, full_scale = \"2.6 V pk\""),
            said("8 Hz", "30 kHz"),
            said("8 Hz", "2 kHz"),
        ];
        insta::assert_snapshot!(cases.join("\n\n"));
    }

    /// The example's rig file says what this driver reads, and its channels agree with it.
    #[test]
    fn the_example_is_right() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/sound/rig.toml");
        let rig = Document::<Rig>::read("rig", &std::fs::read_to_string(path).unwrap()).unwrap().value;
        let mut instrument = rig.instruments.into_iter().find(|i| i.driver == PLUG_IN).unwrap();
        instrument.settings.0.remove("program");
        let settings = read::<SoundSettings>(&instrument).unwrap();
        assert_eq!(settings.problems(), Vec::<String>::new());
        assert_eq!(settings.rate, rig.acquisition.rate);
        for channel in rig.channels {
            assert_eq!(settings.inputs[channel.input as usize].full_scale, channel.range);
            assert_eq!(channel.coupling, Some(Coupling::Ac));
        }
    }

    #[test]
    fn the_band_is_the_one_that_all_know() {
        let text = format!("name = \"card\"\ndriver = \"plug-in\"\n[settings]{GOOD}");
        let instrument = Document::<Instrument>::read("rig", &text).unwrap().value;
        let settings = read::<SoundSettings>(&instrument).unwrap();
        let (from, to) = settings.characterised().unwrap().known();
        assert!((from.si() - 8.0).abs() < 1e-12 && (to.si() - 1000.0).abs() < 1e-9);
        assert!((settings.buffer().si() - 0.008).abs() < 1e-12);
    }
}
