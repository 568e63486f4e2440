//! Enough of Rust's grammar to look at code without its comments and texts: no more than the rules need.

/// The code with comments, texts and characters blanked out; lines and columns stay.
pub(super) fn code(text: &str) -> String {
    let chars: Vec<char> = text.chars().collect();
    let mut out = String::with_capacity(text.len());
    let mut at = 0;
    while at < chars.len() {
        let end = match_hidden(&chars, at);
        if end == at {
            out.push(chars[at]);
            at += 1;
        } else {
            out.extend(chars[at..end].iter().map(|c| if *c == '\n' { '\n' } else { ' ' }));
            at = end;
        }
    }
    out
}

/// Where a comment, text or character that begins here ends; `at` itself if none begins.
fn match_hidden(chars: &[char], at: usize) -> usize {
    let ahead = |n: usize| chars.get(at + n).copied().unwrap_or('\0');
    let within_word = at > 0 && is_word(chars[at - 1]);
    match (chars[at], ahead(1)) {
        ('/', '/') => chars[at..].iter().position(|c| *c == '\n').map_or(chars.len(), |n| at + n),
        ('/', '*') => block_comment(chars, at),
        ('"', _) => text(chars, at + 1),
        ('r', '"' | '#') if !within_word => raw_text(chars, at).unwrap_or(at),
        ('b', 'r') if !within_word => raw_text(chars, at + 1).unwrap_or(at),
        ('\'', '\\') => chars[at + 3..].iter().position(|c| *c == '\'').map_or(chars.len(), |n| at + 4 + n),
        ('\'', _) if ahead(2) == '\'' => at + 3,
        _ => at,
    }
}

fn block_comment(chars: &[char], at: usize) -> usize {
    let mut depth = 0;
    let mut n = at;
    while n < chars.len() {
        match (chars[n], chars.get(n + 1)) {
            ('/', Some('*')) => (depth, n) = (depth + 1, n + 2),
            ('*', Some('/')) => (depth, n) = (depth - 1, n + 2),
            _ => n += 1,
        }
        if depth == 0 {
            return n;
        }
    }
    chars.len()
}

fn text(chars: &[char], mut at: usize) -> usize {
    while at < chars.len() {
        match chars[at] {
            '\\' => at += 2,
            '"' => return at + 1,
            _ => at += 1,
        }
    }
    chars.len()
}

fn raw_text(chars: &[char], at: usize) -> Option<usize> {
    let hashes = chars[at + 1..].iter().take_while(|c| **c == '#').count();
    let begin = at + 1 + hashes;
    (chars.get(begin) == Some(&'"')).then_some(())?;
    let closes =
        |n: &usize| chars[*n] == '"' && chars[n + 1..].iter().take_while(|c| **c == '#').count() >= hashes;
    Some((begin + 1..chars.len()).find(closes).map_or(chars.len(), |n| n + 1 + hashes))
}

fn is_word(c: char) -> bool {
    c.is_alphanumeric() || c == '_'
}

/// The words of code, in order; `::` stands for itself.
pub(super) fn words(code: &str) -> Vec<&str> {
    let mut words = Vec::new();
    let mut rest = code;
    while let Some(start) = rest.find(|c: char| is_word(c) || c == ':') {
        rest = &rest[start..];
        let length = if rest.starts_with("::") {
            2
        } else {
            rest.find(|c: char| !is_word(c)).unwrap_or(rest.len()).max(1)
        };
        words.push(&rest[..length]);
        rest = &rest[length..];
    }
    words
}

/// A function: its name, its first line, and how many lines it has.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Function {
    pub(super) name: String,
    pub(super) line: usize,
    pub(super) lines: usize,
}

/// The functions of code that was blanked out by [`code`].
pub(super) fn functions(code: &str) -> Vec<Function> {
    let mut found = Vec::new();
    for (start, _) in code.match_indices("fn ") {
        if code[..start].chars().next_back().is_some_and(is_word) {
            continue;
        }
        let name: String = code[start + 3..].chars().take_while(|c| is_word(*c)).collect();
        let Some(body) = body_after(&code[start..]) else {
            continue;
        };
        if name.is_empty() {
            continue;
        }
        let line = code[..start].matches('\n').count() + 1;
        found.push(Function { name, line, lines: code[start..start + body].matches('\n').count() + 1 });
    }
    found
}

/// Where the braces that come before any semicolon outside of brackets close.
fn body_after(code: &str) -> Option<usize> {
    let (mut depth, mut brackets) = (0, 0);
    for (at, c) in code.char_indices() {
        match c {
            '(' | '[' if depth == 0 => brackets += 1,
            ')' | ']' if depth == 0 => brackets -= 1,
            ';' if depth == 0 && brackets == 0 => return None,
            '{' => depth += 1,
            '}' => {
                depth -= 1;
                if depth == 0 {
                    return Some(at);
                }
            }
            _ => {}
        }
    }
    None
}

#[test]
fn comments_texts_and_characters_are_no_code() {
    let text = "a /* x /* y */ z */ b \"std::fs {\\\" \" c 'd' '{' '\\n' '\\'' &'e r#\"}\" \"# f // }\ng";
    let code = code(text);
    assert_eq!(code.chars().count(), text.chars().count());
    assert_eq!(words(&code), ["a", "b", "c", "e", "f", "g"]);
    assert_eq!(words("use std::{fs, io as x};"), ["use", "std", "::", "fs", "io", "as", "x"]);
}

#[test]
fn functions_are_measured() {
    let text = "fn a() {\n}\n    fn b(x: [u8; 3]) -> u8 {\n if x { \"}\" }\n\n}\ntrait T { fn c(); }\nlet d: fn(u8) = e;\n";
    let found: Vec<_> = functions(&code(text)).into_iter().map(|f| (f.name, f.line, f.lines)).collect();
    assert_eq!(found, [("a".to_owned(), 1, 2), ("b".to_owned(), 3, 4)]);
}
