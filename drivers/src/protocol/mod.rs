//! The protocol between the daemon and the process that an instrument runs in: JSON-RPC 2.0, one message a line.
//!
//! Owns: the messages as they stand on the wire, their schema, what is a line, and the way between wire and contract.
//! Must not: start processes, hold an instrument, or know how long anything took. `drivers/PROTOCOL.md` says the same
//! in words for people who write a plug-in; it carries the hash of these files, so that the two can't part unnoticed.

mod block;
mod calls;
mod fault;
mod hello;
mod line;
mod message;
mod schema;
mod version;

pub use block::{BLOCK, BlockParams, FAILED, read_block};
pub use calls::{
    AmbientState, AmplifierState, Call, ChannelParams, Configure, ContactState, Done, MakeSafe, Mute, Off,
    Output, OutputOff, PermitParams, Proof, ReadAmbient, ReadContacts, ReadStatus, Reason, SetOutput,
    SetTone, Start, Stop, ToneState, Unmute, not_finite,
};
pub use fault::{Fault, FaultData, INVALID, NO_METHOD, NO_PARAMS, PARSE, op_of};
pub use hello::{
    AcquisitionRole, ContinuityWord, HEARTBEAT, Heartbeat, Hello, IdentityParams, Introduction, NoLimits,
    Roles, SourceRole,
};
pub use line::{LINE_MAX, Line, LineReader};
pub use message::{Message, failure, notification, params, parse, reply, request, result};
pub use schema::schema;
pub use version::{VERSION, Version};
