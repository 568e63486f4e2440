//! The client against a unit written from the standard's bytes.

use super::super::tests_support::{crc, lock, over_line, over_tcp, unit};
use super::*;
use proptest::prelude::*;

/// The example of an RTU frame that is widely printed: unit 1 reads ten holding registers from 0, CRC C5 CD (from memory).
#[test]
fn the_checksum_of_the_peer_is_right() {
    assert_eq!(crc(&[1, 3, 0, 0, 0, 10]), [0xc5, 0xcd]);
}

#[test]
fn silence_on_the_line() {
    assert_eq!(silence_at(115_200), Duration::from_micros(1750));
    assert_eq!(silence_at(9600).as_micros(), 4010);
}

#[tokio::test]
async fn places_are_read_and_written_over_tcp_and_rtu() {
    let unit = unit(&[(0, true), (1, false), (2, true)], &[(5, 500), (6, 0xffff)]);
    let (line, _keeper) = over_line(&unit, 1000);
    for link in [over_tcp(&unit, 1000).await, line] {
        let mut modbus = Modbus::new("unit", &link);
        assert_eq!(modbus.read("read", Table::Coil, 0, 3).await.unwrap(), [1, 0, 1]);
        assert_eq!(modbus.read("read", Table::Holding, 5, 2).await.unwrap(), [500, 0xffff]);
        modbus.write_coil("write", 1, true).await.unwrap();
        modbus.write_words("write", 5, &[7]).await.unwrap();
        assert_eq!(modbus.read("read", Table::Discrete, 1, 1).await.unwrap(), [1]);
        assert_eq!(modbus.read("read", Table::Input, 5, 1).await.unwrap(), [7]);
        let refused = modbus.read("read", Table::Holding, 99, 1).await.unwrap_err();
        assert_eq!(refused.kind, ErrorKind::OutOfRange, "{refused}");
        modbus.write_coil("write", 1, false).await.unwrap();
        modbus.write_words("write", 5, &[500]).await.unwrap();
    }
}

#[tokio::test]
async fn a_silent_unit_is_a_time_out_and_the_link_is_opened_anew() {
    let unit = unit(&[], &[(0, 1)]);
    let (line, _keeper) = over_line(&unit, 50);
    for link in [over_tcp(&unit, 50).await, line] {
        let mut modbus = Modbus::new("unit", &link);
        lock(&unit).silent = true;
        let error = modbus.read("read", Table::Holding, 0, 1).await.unwrap_err();
        assert_eq!(error.kind, ErrorKind::Timeout, "{error}");
        lock(&unit).silent = false;
        assert_eq!(modbus.read("read", Table::Holding, 0, 1).await.unwrap(), [1]);
        assert!(modbus.take_reopened());
    }
}

#[tokio::test]
async fn answers_to_something_else_are_no_data() {
    let unit = unit(&[], &[]);
    for nonsense in [vec![2, 0, 1], vec![0], vec![6, 0, 1, 0, 2, 0, 3], vec![], vec![200, 1]] {
        lock(&unit).nonsense = Some(nonsense.clone());
        let mut modbus = Modbus::new("unit", &over_tcp(&unit, 50).await);
        assert!(modbus.read("read", Table::Holding, 0, 2).await.is_err(), "{nonsense:?}");
        assert!(modbus.write_coil("write", 0, true).await.is_err(), "{nonsense:?}");
        assert!(modbus.write_words("write", 0, &[5]).await.is_err(), "{nonsense:?}");
    }
    // The echo of another address or value.
    lock(&unit).nonsense = Some(vec![0, 1, 0xff, 0]);
    let mut modbus = Modbus::new("unit", &over_tcp(&unit, 50).await);
    assert!(modbus.write_coil("write", 0, true).await.is_err());
    assert!(modbus.write_coil("write", 1, false).await.is_err());
    assert!(modbus.write_coil("write", 1, true).await.is_ok());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    /// Whatever a peer sends: what was asked for, or an error; never a crash.
    #[test]
    fn bytes_drawn_at_random_are_no_data(
        bytes in proptest::collection::vec(any::<u8>(), 0..40),
        framed: bool,
    ) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let unit = unit(&[], &[]);
            lock(&unit).nonsense = Some(bytes.clone());
            let (line, _keeper) = over_line(&unit, 10);
            let mut link = if framed { over_tcp(&unit, 10).await } else { line };
            link.retries = 0;
            let mut modbus = Modbus::new("unit", &link);
            if let Ok(words) = modbus.read("read", Table::Holding, 0, 2).await {
                prop_assert!(bytes[0] == 4 && bytes.len() >= 5);
                prop_assert_eq!(words, [u16::from_be_bytes([bytes[1], bytes[2]]), u16::from_be_bytes([bytes[3], bytes[4]])]);
            }
            let _ = modbus.write_coil("write", 0, true).await;
            Ok(())
        })?;
    }
}
