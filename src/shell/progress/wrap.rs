//! Lines that are longer than the terminal is wide, broken between words.

/// Column at which the text of a line with a moment before it begins.
const INDENT: usize = 12;

/// The lines of a text at most `width` characters wide, all but the first set in. A word that is wider stays whole.
pub(super) fn wrapped(text: &str, width: usize) -> Vec<String> {
    let indent = if width > 3 * INDENT { INDENT } else { 0 };
    let mut lines: Vec<String> = Vec::new();
    for (i, word) in text.split(' ').enumerate() {
        let fits = |line: &String| line.chars().count() + 1 + word.chars().count() <= width;
        match lines.last_mut() {
            Some(line) if fits(line) || line.trim().is_empty() => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(if i == 0 { word.to_string() } else { " ".repeat(indent) + word }),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_break_between_words_and_are_set_in() {
        let text = "  1.234 s  pre-check `bus in window` holds (measured): bus between 154.1 and 155.0 V";
        assert_eq!(
            wrapped(text, 60),
            [
                "  1.234 s  pre-check `bus in window` holds (measured): bus",
                "            between 154.1 and 155.0 V"
            ]
        );
        assert_eq!(wrapped(text, 200), [text]);
        assert_eq!(wrapped("", 80), [""]);
        assert_eq!(wrapped("one wwwwwwwwwwww two", 5), ["one", "wwwwwwwwwwww", "two"]);
    }
}
