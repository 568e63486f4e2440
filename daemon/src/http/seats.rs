//! Seats of a door: so many connections at once, and of them so many of one address, that no client takes all.

use super::peer::Peer;
use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// The seats of one door.
#[derive(Debug)]
pub(super) struct Seats {
    all: usize,
    an_address: usize,
    taken: Mutex<Taken>,
}

#[derive(Debug, Default)]
struct Taken {
    all: usize,
    by_address: BTreeMap<IpAddr, usize>,
}

/// A seat that is taken until this is dropped.
#[derive(Debug)]
pub(super) struct Seat(Arc<Seats>, Option<IpAddr>);

impl Seats {
    pub(super) fn new(all: usize, an_address: usize) -> Arc<Self> {
        Arc::new(Self { all, an_address, taken: Mutex::default() })
    }

    fn taken(&self) -> MutexGuard<'_, Taken> {
        self.taken.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A seat for this peer; none where there is none, or its address has its share.
    pub(super) fn take(self: &Arc<Self>, peer: Peer) -> Option<Seat> {
        let address = match peer {
            Peer::Socket { .. } => None,
            Peer::Port(address) => Some(address.ip()),
        };
        let mut taken = self.taken();
        if taken.all >= self.all {
            return None;
        }
        if let Some(address) = address {
            let of = taken.by_address.entry(address).or_default();
            if *of >= self.an_address {
                return None;
            }
            *of += 1;
        }
        taken.all += 1;
        Some(Seat(self.clone(), address))
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        let mut taken = self.0.taken();
        taken.all -= 1;
        if let Some(address) = self.1
            && let Some(of) = taken.by_address.get_mut(&address)
        {
            *of -= 1;
            if *of == 0 {
                taken.by_address.remove(&address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_address_leaves_seats_to_the_others() {
        let seats = Seats::new(4, 2);
        let peer = |n: u8| Peer::Port(([192, 0, 2, n], 1000).into());
        let first = seats.take(peer(1)).unwrap();
        let _second = seats.take(peer(1)).unwrap();
        assert!(seats.take(peer(1)).is_none(), "it has its share");
        let _other = seats.take(peer(2)).unwrap();
        drop(first);
        let _again = seats.take(peer(1)).unwrap();
        let _machine = seats.take(Peer::Socket { uid: 0 }).unwrap();
        assert!(seats.take(peer(3)).is_none(), "there is none left");
        assert_eq!(seats.taken().by_address.len(), 2);
    }
}
