//! Stops without any fault: the small form of what is claimed of them.

use tests::Figure;
use tests::claims::stops::{Form, stops_of_all};

#[test]
fn no_stop_leads_to_a_stop_and_a_refused_point_does_when_foreseen() {
    let figures = stops_of_all(Form::SMALL, 1).unwrap();
    let missed: Vec<String> = figures.iter().filter(|f| !f.met()).map(Figure::to_string).collect();
    assert!(missed.is_empty(), "{}", missed.concat());
    assert!(figures.len() >= 5);
}
