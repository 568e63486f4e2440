//! Making an instrument safe through its host; if the host does not, through another one.

use super::hosts::Hosts;
use super::link::{Blocks, Link};
use super::program::Program;
use crate::error::{DriverError, ErrorKind};
use crate::protocol::{Call, Hello, Introduction, MakeSafe, Proof, VERSION, Version};
use crate::safe::{Identity, SafeHandle, SafeProof, StopReason};
use async_trait::async_trait;
use plan_schema::units::{Seconds, Volts};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// What the pipes and two schedulers may take beyond what the host itself may.
pub(super) const TRANSIT: Duration = Duration::from_millis(100);

/// Longest time for another host to be started and to have opened the instrument.
pub(crate) const RESTART: Duration = Duration::from_millis(1000);

/// Longest time that a killed process may take to be gone.
const GONE: Duration = Duration::from_millis(200);

/// What a host is started with, again too.
pub(super) struct Starter {
    pub(super) program: Program,
    pub(super) hello: Hello,
    pub(super) hosts: Arc<Hosts>,
    pub(super) beat: Duration,
}

/// A host that said hello.
pub(super) struct Started {
    pub(super) link: Arc<Link>,
    pub(super) blocks: Blocks,
    pub(super) introduction: Introduction,
}

impl Starter {
    /// Starts a host, lets it open its instrument, and compares whom it found with whom the rig file expects.
    pub(super) async fn start(&self, within: Duration) -> Result<Started, DriverError> {
        let name = &self.hello.instrument;
        // A host that ends in good order makes its instrument safe first.
        let patience = Duration::from_secs(5);
        let (link, blocks) = Link::start(&self.program, name, &self.hosts, self.beat, patience)?;
        let greeted = async {
            let introduction = link.call(&self.hello, within).await?;
            self.acceptable(&introduction)?;
            Ok(introduction)
        };
        match greeted.await {
            Ok(introduction) => Ok(Started { link: Arc::new(link), blocks, introduction }),
            Err(error) => {
                link.let_go();
                Err(DriverError { op: "open", ..error })
            }
        }
    }

    fn acceptable(&self, introduction: &Introduction) -> Result<(), DriverError> {
        let refuse = |kind, detail| Err(DriverError::new(kind, &self.hello.instrument, "open", detail));
        let agreed = introduction.protocol.parse::<Version>().and_then(|theirs| VERSION.agree(theirs));
        if let Err(detail) = agreed {
            return refuse(ErrorKind::Unsupported, detail);
        }
        let times = [introduction.safe_ms, introduction.transfer_ms];
        if !times.iter().all(|t| t.is_finite() && (0.0..=60_000.0).contains(t)) {
            let detail = "its safe_ms and transfer_ms have to lie between 0 and 60000".to_owned();
            return refuse(ErrorKind::Protocol, detail);
        }
        same_serial(&self.hello.instrument, self.hello.serial.as_deref(), &introduction.identity.serial)
    }
}

/// What answers has to be what the rig file expects.
fn same_serial(instrument: &str, expected: Option<&str>, found: &str) -> Result<(), DriverError> {
    match expected {
        Some(expected) if expected != found => {
            let detail = format!(
                "it says that its serial number is '{found}'; the rig file expects '{expected}'. Connect the right \
                 instrument, or look whether the rig file is still right before changing it"
            );
            Err(DriverError::new(ErrorKind::BadData, instrument, "open", detail))
        }
        _ => Ok(()),
    }
}

/// Makes the instrument safe, whatever became of its host.
pub(super) struct RemoteSafe {
    starter: Starter,
    link: Mutex<Arc<Link>>,
    /// One restart at a time.
    restarting: tokio::sync::Mutex<()>,
    safe: Duration,
    transfer: Seconds,
}

impl RemoteSafe {
    pub(super) fn new(starter: Starter, link: Arc<Link>, introduction: &Introduction) -> Self {
        Self {
            starter,
            link: Mutex::new(link),
            restarting: tokio::sync::Mutex::new(()),
            safe: Duration::from_secs_f64(introduction.safe_ms * 1e-3),
            transfer: Seconds::new(introduction.transfer_ms * 1e-3),
        }
    }

    /// Longest time of all: the host does not answer, is replaced, and the new one makes the instrument safe.
    pub(super) fn within(&self) -> Seconds {
        Seconds::new(((self.safe + TRANSIT) * 2 + GONE + RESTART).as_secs_f64())
    }

    fn link(&self) -> Arc<Link> {
        self.link.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    async fn ask(&self, link: &Link, why: StopReason) -> Result<SafeProof, DriverError> {
        let proof = link.call(&MakeSafe { reason: why.into() }, self.safe + TRANSIT).await?;
        read(&proof, &self.starter.hello.instrument)
    }

    /// Replaces the host that failed, unless somebody else has done so already.
    async fn restart(&self, failed: &Arc<Link>) -> Result<Arc<Link>, DriverError> {
        let _one = self.restarting.lock().await;
        let current = self.link();
        if !Arc::ptr_eq(&current, failed) {
            return Ok(current);
        }
        failed.kill();
        // It may hold the line to the instrument until it is gone.
        let gone = async {
            while !failed.is_gone() {
                tokio::time::sleep(Duration::from_millis(2)).await;
            }
        };
        if tokio::time::timeout(GONE, gone).await.is_err() {
            tracing::warn!(
                instrument = self.starter.hello.instrument,
                "its host was killed and is still there"
            );
        }
        let Started { link, .. } = self.starter.start(RESTART).await?;
        *self.link.lock().unwrap_or_else(PoisonError::into_inner) = link.clone();
        Ok(link)
    }
}

#[async_trait]
impl SafeHandle for RemoteSafe {
    async fn make_safe(&self, why: StopReason) -> Result<SafeProof, DriverError> {
        let link = self.link();
        let first = match self.ask(&link, why).await {
            Ok(proof) if proof.is_safe() => return Ok(proof),
            Ok(proof) => format!("it read back {proof:?}"),
            Err(error) => error.to_string(),
        };
        let name = &self.starter.hello.instrument;
        tracing::error!(instrument = name, "its host did not make it safe ({first}); another one tries");
        let again = async {
            let link = self.restart(&link).await?;
            // The first message after its hello.
            self.ask(&link, why).await
        };
        again.await.map_err(|error: DriverError| DriverError {
            op: MakeSafe::METHOD,
            detail: format!("{}; before that: {first}", error.detail),
            ..error
        })
    }

    fn transfer_within(&self) -> Option<Seconds> {
        Some(self.transfer)
    }
}

fn read(proof: &Proof, instrument: &str) -> Result<SafeProof, DriverError> {
    let finite = proof.drive_v_peak.is_none_or(f64::is_finite);
    if !finite || !proof.not_finite.is_empty() {
        let detail = "the drive that it reads back is no finite number";
        return Err(DriverError::new(ErrorKind::BadData, instrument, MakeSafe::METHOD, detail));
    }
    Ok(SafeProof { drive: proof.drive_v_peak.map(Volts::new), muted: proof.muted })
}

/// Who an instrument says it is.
pub(super) fn identity(introduction: &Introduction) -> Identity {
    introduction.identity.clone().into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_serial_number_is_refused() {
        assert!(same_serial("daq", None, "7").is_ok() && same_serial("daq", Some("7"), "7").is_ok());
        let error = same_serial("daq", Some("7"), "8").unwrap_err();
        assert!(
            error.kind == ErrorKind::BadData && error.detail.contains("'8'") && error.detail.contains("'7'")
        );
        assert!(same_serial("daq", Some("7"), "").is_err());
    }
}
