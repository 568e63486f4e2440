//! Lines that are no calls: answered or passed over, and without any effect.

use super::super::report::{Tried, Verdict};
use super::super::subject::{Subject, TRANSIT};
use super::super::voice::Failure;
use crate::protocol::{Call, LINE_MAX, NO_METHOD, ReadAmbient, ReadStatus, SetTone};
use std::time::Duration;
use tokio::time::Instant;

/// Waits until so many lines were answered as no message.
fn strays(voice: &super::super::voice::Voice, count: usize, within: Duration) -> Result<(), String> {
    let begun = Instant::now();
    while voice.strays() < count {
        if begun.elapsed() > within {
            return Err(format!(
                "of {count} lines that are no message, {} were answered as such",
                voice.strays()
            ));
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    Ok(())
}

/// Before and after `hello`.
pub(super) fn strange(subject: &Subject) -> Tried {
    let limit = subject.reply_limit() + TRANSIT;
    let mut voice = subject.start()?;
    match voice.call(&ReadStatus {}, limit) {
        Err(Failure::Said(_)) => {}
        other => return Ok(Verdict::fail(format!("{} before hello: {other:?}", ReadStatus::METHOD))),
    }
    drop(voice);
    let (mut voice, introduction) = subject.greet()?;
    let write = |bytes: &[u8]| voice.write(bytes).map_err(|e| e.to_string());
    for line in [&b"hello world\n"[..], b"{\"jsonrpc\":\"2.0\"\n", b"\xff\xfe\n", b"[]\n"] {
        write(line)?;
    }
    strays(&voice, 4, limit)?;
    let mut long = vec![b'x'; LINE_MAX + 10];
    long.push(b'\n');
    write(&long)?;
    strays(&voice, 5, limit + Duration::from_secs(1))?;
    write(b"{\"jsonrpc\":\"2.0\",\"method\":\"there.is_none\",\"params\":{}}\n")?;
    write(b"{\"jsonrpc\":\"2.0\",\"id\":900000001,\"method\":\"nonsense\",\"params\":{\"more\":1}}\n")?;
    match voice.wait::<ReadAmbient>(900_000_001, limit) {
        Err(Failure::Said(fault)) if fault.code == NO_METHOD || fault.data.is_some() => {}
        other => return Ok(Verdict::fail(format!("a method that there is not: {other:?}"))),
    }
    if introduction.roles.source.is_none() {
        let absent = SetTone {
            permit: crate::protocol::PermitParams { generation: 0, ceiling_v_peak: 0.0 },
            frequency_hz: 1.0,
            amplitude_v_peak: 0.0,
            over_s: 0.0,
        };
        match voice.call(&absent, limit) {
            Err(Failure::Said(_)) => {}
            other => return Ok(Verdict::fail(format!("a call of a role that it has not: {other:?}"))),
        }
    }
    // It is there as before.
    for question in subject.questions(&introduction) {
        let said = question.ask(&mut voice, question.limit(subject, &introduction));
        said.map_err(|e| format!("{} after lines that are no calls: {e}", question.method()))?;
    }
    Ok(Verdict::pass("refused or passed over, and the host was as before"))
}
