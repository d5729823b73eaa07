//! From text to tokens with their bytes.

use super::ExprError;
use std::ops::Range;

/// A word of an expression.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Token<'t> {
    /// A plain number.
    Number(f64),
    /// What stands between quotes.
    Quoted(&'t str),
    /// A channel, a demand or a function.
    Name(&'t str),
    /// One of `+ - * / ( ) ,`.
    Mark(char),
    /// Nothing follows.
    End,
}

/// A token and the bytes it was read from.
pub(super) type Spanned<'t> = (Token<'t>, Range<usize>);

/// All tokens of `text`; the last is [`Token::End`].
pub(super) fn tokens(text: &str) -> Result<Vec<Spanned<'_>>, ExprError> {
    let mut tokens = Vec::new();
    let mut at = 0;
    while let Some(c) = text[at..].chars().next() {
        if c.is_whitespace() {
            at += c.len_utf8();
            continue;
        }
        let (token, length) = token(text, at, c)?;
        tokens.push((token, at..at + length));
        at += length;
    }
    tokens.push((Token::End, text.len()..text.len()));
    Ok(tokens)
}

fn token(text: &str, at: usize, c: char) -> Result<(Token<'_>, usize), ExprError> {
    let rest = &text[at..];
    match c {
        '+' | '-' | '*' | '/' | '(' | ')' | ',' => Ok((Token::Mark(c), 1)),
        '\'' | '"' => match rest[1..].find(c) {
            Some(length) => Ok((Token::Quoted(&rest[1..1 + length]), length + 2)),
            None => Err(wrong(at..text.len(), "this quote is not closed", "close it, as in '20 ms'")),
        },
        '0'..='9' | '.' => {
            let length = number_length(rest);
            match rest[..length].parse::<f64>() {
                Ok(number) if number.is_finite() => Ok((Token::Number(number), length)),
                _ => Err(ExprError {
                    message: format!("`{}` is not a finite number", &rest[..length]),
                    span: at..at + length,
                    help: None,
                }),
            }
        }
        _ if begins_name(c) => {
            let length = rest.find(|c| !(begins_name(c) || c.is_numeric() || c == '.'));
            let length = length.unwrap_or(rest.len());
            Ok((Token::Name(&rest[..length]), length))
        }
        _ => Err(unknown_character(at, c)),
    }
}

fn begins_name(c: char) -> bool {
    c.is_alphabetic() || c == '_'
}

/// Digits, a point, digits, and an exponent if it has digits.
fn number_length(rest: &str) -> usize {
    let digits = |from: usize| rest[from..].bytes().take_while(u8::is_ascii_digit).count();
    let mut length = digits(0);
    if rest[length..].starts_with('.') {
        length += 1 + digits(length + 1);
    }
    if rest[length..].starts_with(['e', 'E']) {
        let sign = usize::from(rest[length + 1..].starts_with(['+', '-']));
        match digits(length + 1 + sign) {
            0 => {}
            exponent => length += 1 + sign + exponent,
        }
    }
    length
}

fn unknown_character(at: usize, c: char) -> ExprError {
    let help = match c {
        '^' => "there is no power here: write x * x, or sqrt(x)",
        '<' | '>' | '=' | '!' | '&' | '|' => "an expression gives a value; trips and criteria compare it",
        '%' | '°' => "a quantity stands in quotes, as in '5 %'",
        _ => "known here: numbers, names, quantities in quotes, + - * / ( ) and ,",
    };
    wrong(at..at + c.len_utf8(), &format!("`{}` has no meaning here", c.escape_debug()), help)
}

fn wrong(span: Range<usize>, message: &str, help: &str) -> ExprError {
    ExprError { message: message.into(), span, help: Some(help.into()) }
}
