//! An instrument under trial: its host, the relay on its link, and the questions that it can be asked without harm.

use super::relay::{Manner, Relay};
use super::voice::{Failure, Voice};
use crate::built_in::{link_of, readdress};
use crate::client::Program;
use crate::protocol::{
    AmbientState, AmplifierState, Call, Configure, ContactState, Hello, Introduction, MakeSafe, Proof,
    ReadAmbient, ReadContacts, ReadStatus, Reason,
};
use crate::registry::Registry;
use plan_schema::rig::Instrument;
use serde_json::Value;
use std::time::Duration;
use tokio::runtime::Handle;

/// Times the reply limit that opening may take, as in a run.
const OPENING: u32 = 10;
/// What two schedulers and a pipe may take beyond what a driver declares.
pub(super) const TRANSIT: Duration = Duration::from_millis(100);

/// An instrument under trial.
pub(super) struct Subject {
    pub(super) name: String,
    /// As it stands in the rig file, but for the relay's address.
    pub(super) instrument: Instrument,
    program: Program,
    pub(super) hello: Hello,
    pub(super) relay: Option<Relay>,
    /// How the rig file wants its acquisition; `None` where it has no such role in the rig.
    pub(super) configure: Option<Configure>,
}

/// What an instrument answered to a question that changes nothing.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Said {
    Ambient(AmbientState),
    Contacts(ContactState),
    Amplifier(AmplifierState),
    Configured(Configure),
    Safe(Proof),
}

impl Said {
    /// Whether two answers of the same question can both be true a moment apart.
    pub(super) fn agrees(&self, other: &Self) -> bool {
        let near = |a: Option<f64>, b: Option<f64>, by: f64| match (a, b) {
            (Some(a), Some(b)) => (a - b).abs() <= by,
            (None, None) => true,
            _ => false,
        };
        match (self, other) {
            (Self::Ambient(a), Self::Ambient(b)) => {
                near(a.temperature_degc, b.temperature_degc, 2.0)
                    && near(a.humidity_percent, b.humidity_percent, 10.0)
            }
            (Self::Amplifier(a), Self::Amplifier(b)) => a.muted == b.muted && a.fault == b.fault,
            (a, b) => a == b,
        }
    }
}

impl Subject {
    /// The instrument of a rig file with its host; `None` where it runs in this process.
    pub(super) fn of(
        registry: &Registry,
        instrument: &Instrument,
        configure: Option<Configure>,
        runtime: &Handle,
    ) -> Result<Option<Self>, String> {
        let factory = registry.find(instrument).map_err(|e| e.to_string())?;
        let mut instrument = instrument.clone();
        let relay = match link_of(&instrument).or_else(|| plain_link(&instrument)) {
            Some(link) => Relay::before(&link, runtime)?,
            None => None,
        };
        if let Some(relay) = &relay {
            readdress(&mut instrument, relay.address());
            readdress_plain(&mut instrument, relay.address());
        }
        let Some(host) = factory.host(&instrument) else {
            return Ok(None);
        };
        let (program, hello) = host.map_err(|e| e.to_string())?;
        Ok(Some(Self { name: instrument.name.clone(), instrument, program, hello, relay, configure }))
    }

    /// Longest time that a call may take.
    pub(super) fn reply_limit(&self) -> Duration {
        Duration::from_secs_f64(self.hello.reply_limit_s.clamp(0.001, 3600.0))
    }

    /// Longest time that opening may take.
    pub(super) fn opening_limit(&self) -> Duration {
        self.reply_limit() * OPENING
    }

    /// Longest time without a heartbeat that is believed.
    pub(super) fn heartbeat_limit(&self) -> Duration {
        Duration::from_secs_f64(self.hello.heartbeat_limit_s.clamp(0.001, 3600.0))
    }

    /// From now on the link does this.
    pub(super) fn link(&self, manner: Manner) {
        if let Some(relay) = &self.relay {
            relay.set(manner);
        }
    }

    /// From now on the instrument itself is watched anew, by whom a relay is on its link.
    pub(super) fn watch(&self) {
        if let Some(relay) = &self.relay {
            relay.watch();
        }
    }

    /// How late the instrument itself was since then, where it was.
    pub(super) fn late(&self) -> Option<String> {
        self.relay.as_ref()?.late()
    }

    /// A host that was not spoken to yet.
    pub(super) fn start(&self) -> Result<Voice, String> {
        Voice::start(&self.program, &self.name, self.heartbeat_limit() / 5)
    }

    /// A host whose instrument is open, and untouched.
    pub(super) fn open(&self) -> Result<(Voice, Introduction), String> {
        let mut voice = self.start()?;
        let hello = voice.call(&self.hello, self.opening_limit() + TRANSIT);
        let introduction = hello.map_err(|e| format!("it did not open: {e}"))?.value;
        Ok((voice, introduction))
    }

    /// A host whose instrument is open and was made safe.
    pub(super) fn greet(&self) -> Result<(Voice, Introduction), String> {
        let (mut voice, introduction) = self.open()?;
        let proof = make_safe(&mut voice, &introduction, Reason::Start)
            .map_err(|e| format!("it was not made safe after its opening: {e}"))?;
        match is_safe(&proof, &introduction) {
            Ok(()) => Ok((voice, introduction)),
            Err(why) => Err(format!("it was not made safe after its opening: {why}")),
        }
    }

    /// The questions that it can be asked without harm.
    pub(super) fn questions(&self, introduction: &Introduction) -> Vec<Question> {
        let roles = &introduction.roles;
        let mut all = Vec::new();
        if roles.ambient.is_some() {
            all.push(Question::Ambient);
        }
        if roles.contacts.is_some() {
            all.push(Question::Contacts);
        }
        if roles.amplifier.is_some() {
            all.push(Question::Amplifier);
        }
        if let (Some(_), Some(configure)) = (roles.acquisition, &self.configure) {
            all.push(Question::Configure(configure.clone()));
        }
        if roles.source.is_some() {
            all.push(Question::Safe);
        }
        all
    }
}

/// A question that changes nothing that moves.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Question {
    Ambient,
    Contacts,
    Amplifier,
    Configure(Configure),
    Safe,
}

impl Question {
    /// The method.
    pub(super) fn method(&self) -> &'static str {
        match self {
            Self::Ambient => ReadAmbient::METHOD,
            Self::Contacts => ReadContacts::METHOD,
            Self::Amplifier => ReadStatus::METHOD,
            Self::Configure(_) => Configure::METHOD,
            Self::Safe => MakeSafe::METHOD,
        }
    }

    /// Asks without waiting.
    pub(super) fn put(&self, voice: &mut Voice) -> Result<u64, Failure> {
        match self {
            Self::Ambient => voice.ask(&ReadAmbient {}),
            Self::Contacts => voice.ask(&ReadContacts {}),
            Self::Amplifier => voice.ask(&ReadStatus {}),
            Self::Configure(configure) => voice.ask(configure),
            Self::Safe => voice.ask(&MakeSafe { reason: Reason::Operator }),
        }
    }

    /// Waits for the answer, which has to be one that can be true.
    pub(super) fn answer(&self, voice: &Voice, id: u64, within: Duration) -> Result<Said, Failure> {
        match self {
            Self::Ambient => voice.wait::<ReadAmbient>(id, within).map(|a| Said::Ambient(a.value)),
            Self::Contacts => voice.wait::<ReadContacts>(id, within).map(|a| Said::Contacts(a.value)),
            Self::Amplifier => voice.wait::<ReadStatus>(id, within).map(|a| Said::Amplifier(a.value)),
            Self::Configure(_) => voice.wait::<Configure>(id, within).map(|a| Said::Configured(a.value)),
            Self::Safe => voice.wait::<MakeSafe>(id, within).map(|a| Said::Safe(a.value)),
        }
    }

    /// Asks and waits.
    pub(super) fn ask(&self, voice: &mut Voice, within: Duration) -> Result<Said, Failure> {
        let id = self.put(voice)?;
        self.answer(voice, id, within)
    }

    /// How long its answer may take.
    pub(super) fn limit(&self, subject: &Subject, introduction: &Introduction) -> Duration {
        match self {
            Self::Safe => safe_limit(introduction),
            _ => subject.reply_limit() + TRANSIT,
        }
    }
}

/// How long making safe may take, pipes included.
pub(super) fn safe_limit(introduction: &Introduction) -> Duration {
    Duration::from_secs_f64(introduction.safe_ms.clamp(0.0, 60_000.0) * 1e-3) + TRANSIT
}

/// Makes safe and waits for the proof.
pub(super) fn make_safe(
    voice: &mut Voice,
    introduction: &Introduction,
    reason: Reason,
) -> Result<Proof, Failure> {
    voice.call(&MakeSafe { reason }, safe_limit(introduction)).map(|a| a.value)
}

/// Whether a proof proves something for each role that could move the armature.
pub(super) fn is_safe(proof: &Proof, introduction: &Introduction) -> Result<(), String> {
    let roles = &introduction.roles;
    if roles.source.is_some() != proof.drive_v_peak.is_some()
        || roles.amplifier.is_some() != proof.muted.is_some()
    {
        return Err(format!("the proof does not go with its roles: {proof:?}"));
    }
    if !proof.not_finite.is_empty()
        || proof.drive_v_peak.is_some_and(|d| d.abs() > 0.0)
        || proof.muted == Some(false)
    {
        return Err(format!("it reads back {proof:?}"));
    }
    Ok(())
}

/// The link of a plug-in that names its address plainly: `tcp` or `serial` among its settings.
fn plain_link(instrument: &Instrument) -> Option<crate::built_in::link::Link> {
    let settings = &instrument.settings.0;
    let mut holder = instrument.clone();
    let kept = settings.iter().filter(|(key, _)| matches!(key.as_str(), "tcp" | "serial" | "baud"));
    let link: serde_json::Map<String, Value> = kept.map(|(k, v)| (k.clone(), v.clone())).collect();
    if !link.contains_key("tcp") && !link.contains_key("serial") {
        return None;
    }
    holder.settings.0 = serde_json::Map::from_iter([("link".to_owned(), Value::Object(link))]);
    link_of(&holder)
}

fn readdress_plain(instrument: &mut Instrument, address: &str) {
    for way in ["tcp", "serial"] {
        if let Some(value @ Value::String(_)) = instrument.settings.0.get_mut(way) {
            *value = Value::from(address);
        }
    }
}
