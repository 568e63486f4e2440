//! Clients that take more than their share: connections, and answers that they never read.

use super::looks::run_of_one_point;
use calwright::http::Limits;
use std::fs::File;
use std::io::{Read, Write};
use std::net::TcpStream;
use tests::Bench;
use tests::doors::{House, PlayDesk};

/// More than any buffer on the way holds.
const LARGE: u64 = 24 << 20;

#[test]
fn one_address_leaves_room_for_others() {
    let limits = Limits { connections: 8, an_address: 3, ..Limits::default() };
    let house = House::open_with(PlayDesk::new(&[]).unwrap(), |_| (), limits).unwrap();
    let address = house.url().unwrap().trim_start_matches("http://").to_owned();
    let mut held: Vec<TcpStream> = (0..3).map(|_| TcpStream::connect(&address).unwrap()).collect();
    // Each of them was let in, as its answer shows.
    for stream in &mut held {
        write!(stream, "GET /health HTTP/1.1\r\nHost: {address}\r\n\r\n").unwrap();
        let mut answer = [0; 15];
        stream.read_exact(&mut answer).unwrap();
        assert_eq!(&answer, b"HTTP/1.1 200 OK");
    }
    let mut refused = String::new();
    TcpStream::connect(&address).unwrap().read_to_string(&mut refused).unwrap();
    assert!(refused.starts_with("HTTP/1.1 503"), "{refused}");
    // The socket of this machine is another door.
    assert_eq!(house.ask_socket("GET", "/health").answer().unwrap().status, 200);
}

#[test]
fn a_file_that_nobody_reads_gives_its_place_to_the_next() {
    let bench = Bench::new().unwrap();
    let folder = run_of_one_point(&bench);
    File::create(folder.join("large.bin")).unwrap().set_len(LARGE).unwrap();
    let limits = Limits { downloads: 1, write_s: 1, ..Limits::default() };
    let house = House::open_with(PlayDesk::new(&[folder]).unwrap(), |_| (), limits).unwrap();
    let address = house.url().unwrap().trim_start_matches("http://").to_owned();
    let path = "/api/v1/runs/dry-common-practice-1/files/large.bin";
    let token = house.token("viewer");
    let mut deaf = TcpStream::connect(&address).unwrap();
    write!(deaf, "GET {path} HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\n\r\n").unwrap();
    let mut begun = [0; 15];
    deaf.read_exact(&mut begun).unwrap();
    assert_eq!(&begun, b"HTTP/1.1 200 OK");
    let next = house.ask("GET", path).unwrap().token(token).answer().unwrap();
    assert_eq!((next.status, next.body.len() as u64), (200, LARGE));
}
