//! What differs between two texts, line by line: what a person reads before a change is put in force. Pure.

/// Lines that went and lines that came, in order, each with its sign and its number; nothing where both texts are the same.
#[must_use]
pub(super) fn of(before: &str, after: &str) -> Vec<String> {
    let (old, new): (Vec<&str>, Vec<&str>) = (before.lines().collect(), after.lines().collect());
    let common = common(&old, &new);
    let at = |n: usize, m: usize| common.get(n).and_then(|row| row.get(m)).copied().unwrap_or(0);
    let (mut n, mut m, mut out) = (0, 0, Vec::new());
    while let (was, is) = (old.get(n), new.get(m))
        && (was.is_some() || is.is_some())
    {
        match (was, is) {
            (Some(was), Some(is)) if was == is => (n, m) = (n + 1, m + 1),
            (Some(was), is) if is.is_none() || at(n + 1, m) >= at(n, m + 1) => {
                n += 1;
                out.push(format!("- {n}: {was}"));
            }
            (_, is) => {
                m += 1;
                out.push(format!("+ {m}: {}", is.copied().unwrap_or_default()));
            }
        }
    }
    out
}

/// For each pair of places the number of lines that the rests from there have in common, in order.
fn common(old: &[&str], new: &[&str]) -> Vec<Vec<u32>> {
    let mut table = vec![vec![0; new.len() + 1]];
    for was in old.iter().rev() {
        let below = table.last().cloned().unwrap_or_default();
        let mut row = vec![0; new.len() + 1];
        for (m, is) in new.iter().enumerate().rev() {
            let of = |row: &[u32], m: usize| row.get(m).copied().unwrap_or(0);
            let longest = match was == is {
                true => of(&below, m + 1) + 1,
                false => of(&below, m).max(of(&row, m + 1)),
            };
            if let Some(cell) = row.get_mut(m) {
                *cell = longest;
            }
        }
        table.push(row);
    }
    table.reverse();
    table
}

#[cfg(test)]
mod tests {
    use super::of;
    use proptest::prelude::*;

    #[test]
    fn what_went_and_what_came() {
        let (before, after) = ("a\nb\nc\nd", "a\nB\nc\nd\ne");
        assert_eq!(of(before, after), ["- 2: b", "+ 2: B", "+ 5: e"]);
        assert_eq!(of(before, before), Vec::<String>::new());
        assert_eq!(of("", "a"), ["+ 1: a"]);
        assert_eq!(of("a", ""), ["- 1: a"]);
    }

    proptest! {
        /// Taking out what went and putting in what came makes the one of the other.
        #[test]
        fn the_one_can_be_made_of_the_other(
            old in prop::collection::vec("[ab]{0,2}", 0..9),
            new in prop::collection::vec("[ab]{0,2}", 0..9),
        ) {
            let found = of(&old.join("\n"), &new.join("\n"));
            let numbers = |sign: &str| -> Vec<usize> {
                found.iter().filter_map(|l| l.strip_prefix(sign)?.trim().split(':').next()?.parse().ok()).collect()
            };
            let (went, came) = (numbers("-"), numbers("+"));
            let (old, new) = (old.join("\n"), new.join("\n"));
            let kept: Vec<&str> =
                old.lines().enumerate().filter(|(n, _)| !went.contains(&(n + 1))).map(|(_, l)| l).collect();
            let left: Vec<&str> =
                new.lines().enumerate().filter(|(n, _)| !came.contains(&(n + 1))).map(|(_, l)| l).collect();
            prop_assert_eq!(kept, left);
        }
    }
}
