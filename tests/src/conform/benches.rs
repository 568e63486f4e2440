//! Rigs on which every built-in driver and both plug-ins are tried: the rig with network instruments, some of its lines changed.

use jiff::Timestamp;

/// What is changed in the rig file for the panels, and for the kit beyond that.
#[derive(Debug, Clone)]
pub struct Bench {
    /// What it holds.
    pub name: &'static str,
    /// Whether the armature is moved.
    pub moves: bool,
    served: Vec<(&'static str, String)>,
    tried: Vec<(&'static str, String)>,
}

/// Times that hold on a machine that has much else to do.
const PATIENT: &str =
    "[timing]\nreply_limit = \"4 s\"\nblock_limit = \"1 s\"\ncontact_limit = \"2 s\"\n\n[roles]";

/// The rig file with times for a machine that has much else to do.
#[must_use]
pub fn patient(own: &str) -> String {
    let gated = own.contains(GATED_TIMES);
    let text = own.replacen(GATED_TIMES, "", 1).replacen("[roles]", PATIENT, 1);
    let text = if gated {
        text.replacen("block_limit = \"1 s\"", "block_limit = \"2 s\"\ntransfer = \"1 s\"", 1)
    } else {
        text
    };
    // The amplifier waits for the one who asks, as the safe path says of it.
    let text = text.replace("\nwatchdog = \"500 ms\"", "\nwatchdog = \"2 s\"").replacen(
        "action = \"amplifier_watchdog\"\ntime = \"500 ms\"",
        "action = \"amplifier_watchdog\"\ntime = \"2 s\"",
        1,
    );
    ["50 ms", "100 ms", "200 ms"]
        .iter()
        .fold(text, |text, time| text.replace(&format!("timeout = \"{time}\""), "timeout = \"1 s\""))
}

impl Bench {
    /// The rig file that rig-sim is given.
    #[must_use]
    pub fn served(&self, own: &str) -> String {
        let text = patient(own);
        self.served.iter().fold(text, |text, (name, lines)| with_instrument(&text, name, lines))
    }

    /// The rig file that the kit is given.
    #[must_use]
    pub fn tried(&self, own: &str) -> String {
        self.tried.iter().fold(self.served(own), |text, (name, lines)| with_instrument(&text, name, lines))
    }
}

/// Puts other lines in the place of an instrument's.
#[must_use]
pub fn with_instrument(text: &str, name: &str, lines: &str) -> String {
    let head = format!("[[instrument]]\nname = \"{name}\"\n");
    let Some(from) = text.find(&head) else { return text.to_owned() };
    let rest = text.get(from + head.len()..).unwrap_or_default();
    let end = ["\n[[instrument]]", "\n[[channel]]"].iter().filter_map(|next| rest.find(next)).min();
    let after = end.and_then(|end| rest.get(end..)).unwrap_or_default();
    format!("{}{head}{lines}\n{after}", text.get(..from).unwrap_or_default())
}

/// The source as a plug-in.
pub const SINE_PLUG_IN: &str = r#"driver = "plug-in"
latency = "20 ms"

[instrument.settings]
program = "sine_source.py"
tcp = "127.0.0.1:5025"
frequency_hz_max = 1000
amplitude_v_peak_max = 5
frequency = "SOUR:FREQ {hz:.6f}"
amplitude = "SOUR:VOLT:UNIT VPK;:SOUR:VOLT {v_peak:.6f}"
amplitude_query = "SOUR:VOLT?"
output_on = "OUTP ON"
output_off = "OUTP OFF"
output_query = "OUTP?"
"#;

/// The acquisition as a plug-in.
pub const FRAMES_PLUG_IN: &str = r#"driver = "plug-in"

[instrument.settings]
program = "frame_acquisition.py"
tcp = "127.0.0.1:5026"
"#;

const TEXT_AMPLIFIER: &str = r#"driver = "text-amplifier"
latency = "10 ms"

[instrument.settings]
link = { tcp = "127.0.0.1:1502", timeout = "1 s" }
mute = "AMPL:MUTE ON"
unmute = "AMPL:MUTE OFF"
muted = { ask = "AMPL:MUTE?" }
fault = { ask = "AMPL:FAUL?" }
clipping = { ask = "AMPL:CLIP?" }
"#;

const TEXT_CONTACTS: &str = r#"driver = "text-contacts"

[instrument.settings]
link = { serial = "/dev/serial/by-id/panel-invented", baud = 115200, timeout = "1 s" }
emergency_stop = { ask = "STOP?" }
input = [{ ask = "INP0?" }, { ask = "INP1?" }]
"#;

const MODBUS_AMBIENT: &str = r#"driver = "modbus-ambient"

[instrument.settings]
link = { serial = "/dev/serial/by-id/climate-invented", baud = 19200, timeout = "1 s" }
temperature = { register = "input 0", kind = "i16", scale = 0.01 }
humidity = { register = "input 1", kind = "u16", scale = 0.01 }
"#;

/// The acquisition as one that is asked for blocks.
pub const GATED: &str = r#"driver = "scpi-acquisition"

[instrument.settings]
link = { tcp = "127.0.0.1:5026", timeout = "1 s" }
prepare = ["ACQ:CHAN:CLE"]
rate = "ACQ:RATE {rate}"
rate_query = "ACQ:RATE?"
frames = "ACQ:POIN {frames:.0}"
channel = "ACQ:CHAN:ADD {input:.0},{v_peak}"
trigger = "INIT"
ready = { ask = "ACQ:READ?" }
fetch = "FETC?"
index_query = "FETC:IND?"
stop = "ABOR"
samples = { kind = "i32", byte_order = "big", layout = "interleaved", shift = 1, overload_bit = 0, full_scale = 1073741824 }
"#;

/// The rig file with an acquisition that is asked for blocks, and what that means for its times.
#[must_use]
pub fn gated(own: &str) -> String {
    let text = with_instrument(own, "daq", GATED);
    let text = text.replacen("block = \"5 ms\"", "block = \"0.5 s\"\npause = \"100 ms\"", 1);
    text.replacen("[roles]", &format!("{GATED_TIMES}[roles]"), 1)
}

/// A block and its pause take longer than blocks may be missing otherwise.
const GATED_TIMES: &str = "[timing]\nblock_limit = \"1.5 s\"\ntransfer = \"200 ms\"\n\n";

const MANUAL_AMPLIFIER: &str = r#"driver = "manual-amplifier"
latency = "10 ms"

[instrument.settings]
gain = "10 V/V"
set_on = "2000-01-31"
set_by = "A. Person"
relay = { link = { tcp = "127.0.0.1:1502", timeout = "1 s" }, mute = "coil 0", muted = "discrete 0" }
"#;

/// Rigs that hold every built-in driver and both plug-ins between them.
#[must_use]
pub fn of_every_driver(now: Timestamp) -> Vec<Bench> {
    let by_hand = format!(
        "driver = \"manual-ambient\"\n\n[instrument.settings]\ntemperature = \"23 °C\"\nhumidity = \"40 %\"\n\
         read_at = \"{now}\"\nread_by = \"A. Person\"\n"
    );
    let lines = |name, text: &str| (name, text.to_owned());
    vec![
        Bench { name: "network", moves: true, served: vec![], tried: vec![] },
        Bench {
            name: "lines of text",
            moves: true,
            served: vec![
                lines("power-amplifier", TEXT_AMPLIFIER),
                lines("panel", TEXT_CONTACTS),
                lines("climate", MODBUS_AMBIENT),
            ],
            tried: vec![],
        },
        Bench {
            name: "plug-ins",
            moves: true,
            served: vec![lines("power-amplifier", MANUAL_AMPLIFIER)],
            tried: vec![lines("generator", SINE_PLUG_IN), lines("daq", FRAMES_PLUG_IN), ("climate", by_hand)],
        },
        Bench { name: "blocks", moves: false, served: vec![lines("daq", GATED)], tried: vec![] },
    ]
}

impl Bench {
    /// The rig with both plug-ins, on which broken ones are tried.
    #[must_use]
    pub fn with_plug_ins(moves: bool) -> Self {
        let lines = |name, text: &str| (name, text.to_owned());
        let tried = vec![lines("generator", SINE_PLUG_IN), lines("daq", FRAMES_PLUG_IN)];
        Self { name: "broken plug-ins", moves, served: vec![], tried }
    }
}
