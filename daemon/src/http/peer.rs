//! Who is at the other end of a connection: a user of this machine over the socket, or an address over the port.
//!
//! Owns the table of users that may come in over the socket. The operating system says which user a peer is, not the peer.

use super::settings::MachineUser;
use crate::serve::words::{Person, Role, Way, Whence};
use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;

/// The other end of a connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Peer {
    /// A process of this user of this machine.
    Socket {
        /// Number of the user.
        uid: u32,
    },
    /// An address.
    Port(SocketAddr),
}

impl Peer {
    /// How it came in.
    #[must_use]
    pub fn way(self) -> Way {
        match self {
            Self::Socket { .. } => Way::Socket,
            Self::Port(_) => Way::Port,
        }
    }

    /// Where it is, for the audit.
    #[must_use]
    pub fn whence(self) -> Whence {
        let place = match self {
            Self::Socket { uid } => format!("user {uid} of this machine"),
            Self::Port(address) => address.ip().to_string(),
        };
        Whence { way: self.way(), place }
    }
}

/// Users of this machine, and whom they are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MachineUsers(BTreeMap<u32, Person>);

impl MachineUsers {
    /// The users of the settings; the daemon's own user and root may do everything unless the settings say otherwise.
    /// `passwd` is the text of the machine's list of users.
    ///
    /// # Errors
    /// A user of the settings whom this machine does not know.
    pub fn of(people: &[MachineUser], own: u32, passwd: &str) -> Result<Self, String> {
        let logins = logins(passwd);
        let name_of = |uid: u32| {
            let found = logins.iter().find(|(_, number)| *number == uid);
            found.map_or_else(|| format!("user {uid}"), |(name, _)| (*name).to_owned())
        };
        let admin = |uid: u32| (uid, person(name_of(uid), [Role::Admin].into()));
        let mut all: BTreeMap<u32, Person> = [admin(0), admin(own)].into();
        for entry in people {
            let found = logins.iter().find(|(name, _)| *name == entry.user).map(|(_, uid)| *uid);
            let Some(uid) = found.or_else(|| entry.user.parse().ok()) else {
                return Err(format!(
                    "people: this machine has no user '{}'; write the name at login, or the user's number",
                    entry.user
                ));
            };
            let name = entry.name.clone().unwrap_or_else(|| name_of(uid));
            all.insert(uid, person(name, entry.roles.clone()));
        }
        Ok(Self(all))
    }

    /// Whom this user is.
    #[must_use]
    pub fn person(&self, uid: u32) -> Option<Person> {
        self.0.get(&uid).cloned()
    }
}

fn person(name: String, roles: BTreeSet<Role>) -> Person {
    Person { name, roles, way: Way::Socket }
}

/// Names at login with their numbers, from a text in the form of `/etc/passwd`.
fn logins(passwd: &str) -> Vec<(&str, u32)> {
    passwd
        .lines()
        .filter_map(|line| {
            let mut fields = line.split(':');
            Some((fields.next()?, fields.nth(1)?.parse().ok()?))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const PASSWD: &str = "root:x:0:0:root:/root:/bin/sh\ncalwright:x:990:990::/:/bin/false\nanna:x:1001:1001::/home/anna:/bin/sh\n";

    fn user(user: &str, name: Option<&str>) -> MachineUser {
        MachineUser { user: user.into(), name: name.map(str::to_owned), roles: [Role::Operator].into() }
    }

    #[test]
    fn users_are_whom_the_settings_say() {
        let people = [user("anna", Some("Anna Example")), user("1002", None)];
        let users = MachineUsers::of(&people, 990, PASSWD).unwrap();
        let of = |uid| users.person(uid).map(|p| (p.name, p.roles.into_iter().collect::<Vec<_>>()));
        assert_eq!(of(0), Some(("root".into(), vec![Role::Admin])));
        assert_eq!(of(990), Some(("calwright".into(), vec![Role::Admin])));
        assert_eq!(of(1001), Some(("Anna Example".into(), vec![Role::Operator])));
        assert_eq!(of(1002), Some(("user 1002".into(), vec![Role::Operator])));
        assert_eq!(of(1003), None);
    }

    #[test]
    fn a_user_that_does_not_exist_is_refused() {
        assert!(MachineUsers::of(&[user("anne", None)], 990, PASSWD).unwrap_err().contains("'anne'"));
    }

    #[test]
    fn root_can_be_made_less() {
        let users = MachineUsers::of(&[user("root", None)], 990, PASSWD).unwrap();
        assert!(!users.person(0).unwrap().may(Role::Admin));
    }
}
