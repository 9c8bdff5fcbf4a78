//! How deep tables lie in each other, before the text is read as TOML.
//!
//! The TOML reader bounds both the depth of brackets and the parts of a key such as `a.b.c`, but each bracket may stand
//! behind a long key: the tables then lie thousands deep, and a small stack does not bear to read or drop them.

/// How deep brackets may lie in each other, and how many dots a key may have. No file of ours comes near.
const DEEPEST: usize = 16;

/// Where the first bracket stands that lies too deep, or the first dot of a key with too many; what is wrong and what to ask.
///
/// Strings and comments are passed over just as the TOML reader does it, also where they do not end. A bracket that closes
/// nothing is passed over, so that in a text with faults the depth is rather too great than too small.
pub(crate) fn too_deep(text: &str) -> Option<(usize, &'static str, &'static str)> {
    let bytes = text.as_bytes();
    let rest = |at: usize| bytes.get(at..).unwrap_or(&[]);
    let until =
        |at: usize, ends: &[u8]| rest(at).iter().position(|byte| ends.contains(byte)).map_or(bytes.len(), |n| at + n);
    let mut open = Vec::new();
    let mut dots = 0;
    let mut at = 0;
    while let Some(byte) = bytes.get(at).copied() {
        if matches!(byte, b'[' | b']' | b'{' | b'}' | b'#' | b'=' | b',' | b'\n') {
            dots = 0;
        }
        at = match byte {
            b'[' | b'{' => {
                if open.len() == DEEPEST {
                    return Some((at, "brackets lie too deep in each other", "is one in front of it not closed?"));
                }
                open.push(if byte == b'[' { b']' } else { b'}' });
                at + 1
            }
            b']' | b'}' => {
                open.pop_if(|closing| *closing == byte);
                at + 1
            }
            b'#' => until(at, b"\r\n"),
            b'\'' | b'"' if rest(at).starts_with(&[byte; 3]) => at + 3 + long_string(rest(at + 3), byte),
            b'\'' | b'"' => at + 1 + short_string(rest(at + 1), byte),
            b'.' if dots == DEEPEST => return Some((at, "this key has too many parts", "is this the right file?")),
            b'.' => {
                dots += 1;
                at + 1
            }
            b'=' | b',' | b' ' | b'\t' | b'\r' | b'\n' => at + 1,
            // A quote inside a word begins no string.
            _ => until(at, b".=,[]{} \t#\r\n"),
        };
    }
    None
}

/// Bytes to the end of a string that ends with this quote or, where it does not, with its line.
fn short_string(bytes: &[u8], quote: u8) -> usize {
    let mut at = 0;
    while let Some(byte) = bytes.get(at).copied() {
        match byte {
            b'\n' => return at,
            b'\\' if quote == b'"' => at += escaped(bytes, at),
            _ if byte == quote => return at + 1,
            _ => at += 1,
        }
    }
    bytes.len()
}

/// Bytes to the end of a string that ends with three of this quote; two more may belong to it.
fn long_string(bytes: &[u8], quote: u8) -> usize {
    let mut at = 0;
    while let Some(byte) = bytes.get(at).copied() {
        if byte == b'\\' && quote == b'"' {
            at += escaped(bytes, at);
        } else if bytes.get(at..).is_some_and(|rest| rest.starts_with(&[quote; 3])) {
            let more = bytes.iter().skip(at + 3).take(2).take_while(|byte| **byte == quote).count();
            return at + 3 + more;
        } else {
            at += 1;
        }
    }
    bytes.len()
}

/// A backslash takes a quote or a backslash with it.
fn escaped(bytes: &[u8], at: usize) -> usize {
    if matches!(bytes.get(at + 1), Some(b'\\' | b'"')) { 2 } else { 1 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn brackets_are_counted_where_they_are_brackets() {
        let deep = "[{".repeat(9);
        assert_eq!(too_deep(&deep).map(|found| found.0), Some(16));
        assert_eq!(too_deep(&"[".repeat(16)), None);
        assert_eq!(too_deep(&"[]{}\n".repeat(100)), None);
        for inside in [
            "# {}",
            "'{}'",
            "\"{}\"",
            "'''\n{}\n'''",
            "\"\"\"\n{}\n\"\"\"\"\"",
            "\"\\\"{}\"",
            "\"\"\"\\\"\"\" {}\"\"\"",
        ] {
            assert_eq!(too_deep(&inside.replace("{}", &deep)), None, "{inside}");
        }
        for outside in
            ["# \n{}", "'\n{}'", "\"\\\\\"{}\"", "a\"{}\"", "a'''{}'''", "''''''{}", "'' {}", "']]]]'{}", "]]]]{}"]
        {
            assert!(too_deep(&outside.replace("{}", &deep)).is_some(), "{outside}");
        }
        assert_eq!(too_deep(&"1.5, 'a'.b\n".repeat(100)), None);
        assert_eq!(too_deep(&"a .\t'b'".repeat(20)).map(|found| found.0), Some(114));
        // What closes nothing does not count, and the other kind does not close.
        assert!(too_deep(&"{]".repeat(17)).is_some());
    }
}
