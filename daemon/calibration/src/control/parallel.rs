//! The same question for many things at once, on as many threads as the machine runs.
//!
//! Owns: how the work is dealt out. What comes out does not depend on it: every answer is a function of its own question.

use std::num::NonZero;
use std::thread;

/// The answers in the order of the questions.
///
/// # Panics
/// If an answer does.
pub(super) fn each<Q: Sync, A: Send>(questions: &[Q], answer: impl Fn(&Q) -> A + Sync) -> Vec<A> {
    let threads = thread::available_parallelism().map_or(1, NonZero::get).min(MOST_THREADS);
    if threads < 2 || questions.len() < FEW {
        return questions.iter().map(answer).collect();
    }
    // Dealt out in turn: neighbours are about as hard as each other.
    let dealt = |hand: usize| questions.iter().skip(hand).step_by(threads).map(&answer).collect::<Vec<A>>();
    let dealt = &dealt;
    let hands: Vec<Vec<A>> = thread::scope(|scope| {
        let others: Vec<_> = (1..threads).map(|hand| scope.spawn(move || dealt(hand))).collect();
        let own = dealt(0);
        let rest = others.into_iter().map(|o| o.join().unwrap_or_else(|e| std::panic::resume_unwind(e)));
        std::iter::once(own).chain(rest).collect()
    });
    let mut hands: Vec<_> = hands.into_iter().map(Vec::into_iter).collect();
    let turns = (0..questions.len()).map(|n| n % threads);
    turns.filter_map(|hand| hands.get_mut(hand)?.next()).collect()
}

/// A thread costs more than a few answers.
const FEW: usize = 8;
const MOST_THREADS: usize = 8;

#[cfg(test)]
mod tests {
    use super::each;

    #[test]
    fn answers_come_in_the_order_of_the_questions() {
        for count in [0, 1, 7, 8, 9, 100, 1001] {
            let questions: Vec<usize> = (0..count).collect();
            assert_eq!(each(&questions, |q| q * 2), questions.iter().map(|q| q * 2).collect::<Vec<_>>());
        }
    }
}
