//! A way over TCP that can be cut, as a cable can.

use anyhow::Result;
use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

/// The way, and the sockets that are open on it.
#[derive(Debug, Clone)]
pub struct Way {
    address: String,
    open: Arc<Mutex<Option<Vec<TcpStream>>>>,
}

impl Way {
    /// A way to an address.
    ///
    /// # Errors
    /// If there is no port.
    pub fn to(target: &str) -> Result<Self> {
        let listener = TcpListener::bind(("127.0.0.1", 0))?;
        let way = Self {
            address: listener.local_addr()?.to_string(),
            open: Arc::new(Mutex::new(Some(Vec::new()))),
        };
        let (shared, target) = (way.clone(), target.to_owned());
        thread::spawn(move || {
            for near in listener.incoming().map_while(std::io::Result::ok) {
                let Ok(far) = TcpStream::connect(&target) else { continue };
                if shared.carry(near, far).is_err() {
                    return;
                }
            }
        });
        Ok(way)
    }

    /// Where it begins.
    #[must_use]
    pub fn address(&self) -> &str {
        &self.address
    }

    /// Cuts it for good: nothing passes any more, and nobody is told, as with a cable that is pulled.
    pub fn cut(&self) {
        let open = self.open.lock().unwrap_or_else(PoisonError::into_inner).take();
        for socket in open.into_iter().flatten() {
            let _ = socket.shutdown(Shutdown::Both);
        }
    }

    fn carry(&self, near: TcpStream, far: TcpStream) -> std::io::Result<()> {
        let _ = (near.set_nodelay(true), far.set_nodelay(true));
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(list) = open.as_mut() else {
            return Err(std::io::ErrorKind::ConnectionAborted.into());
        };
        list.extend([near.try_clone()?, far.try_clone()?]);
        for (mut from, mut to) in [(near.try_clone()?, far.try_clone()?), (far, near)] {
            thread::spawn(move || {
                let mut bytes = [0; 1 << 14];
                while let Ok(count @ 1..) = from.read(&mut bytes) {
                    if to.write_all(bytes.get(..count).unwrap_or_default()).is_err() {
                        break;
                    }
                }
                let _ = to.shutdown(Shutdown::Both);
            });
        }
        Ok(())
    }
}
