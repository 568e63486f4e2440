//! From a draft to a certificate: approval, number, signature; and the proof, later, that nothing was changed.
//!
//! ```text
//!   run directory ──► review    what an approver has to see
//!                 ──► approve   RUN/release-N/: released result, certificates, release.json, its signature
//!                     ledger    state folder: one signed, chained line a certificate: numbers are unique, none vanishes
//!   any of these  ──► verify    signature, hashes, chain, result derived again
//! ```
//!
//! Owns numbers, signatures and what they cover. Invariant: nothing that was recorded is changed by a release; it adds a
//! folder. Invariant: a number is in the ledger before its certificate exists, so it is never given twice.
//! Why a signature: the journal's chain shows accidents and careless edits, but whoever can write can chain anew.
//! Results of the simulator may be released for rehearsal: SIMULATED stays on every page, and in the number.

pub mod approve;
pub mod as_found;
pub mod exclusion;
pub mod key;
pub mod ledger;
pub mod manifest;
pub mod record;
pub mod review;
pub mod verify;
