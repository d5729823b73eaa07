//! From tokens to a checked expression: operator precedence by binding power, kinds on the way.

use super::eval::{Node, One, Past, Two};
use super::kinds::{self, Mismatch};
use super::lex::{self, Spanned, Token};
use super::{Expr, ExprError, Operand};
use crate::diag::suggestion;
use crate::units::{Kind, Quantity, parse_quantity};
use std::ops::Range;

/// How deep parentheses, functions and signs may nest: far beyond use, far below the stack's end.
const DEPTH_MAX: usize = 64;

/// How many tokens there may be: the tree of a sum is as deep as the sum is long.
const TOKENS_MAX: usize = 512;

type Resolve<'r> = &'r dyn Fn(&str) -> Option<(Operand, Kind)>;

pub(super) fn parse(text: &str, resolve: Resolve<'_>) -> Result<Expr, ExprError> {
    let tokens = lex::tokens(text)?;
    if let Some((_, span)) = tokens.get(TOKENS_MAX) {
        let help = "split it into several derived channels";
        return Err(wrong(span.clone(), "the expression is too long", Some(help.into())));
    }
    let mut parser = Parser { text, tokens, next: 0, depth: 0, resolve, operands: Vec::new(), cells: 0 };
    let part = parser.sum()?;
    let (token, span) = parser.peek().clone();
    if token != Token::End {
        return Err(parser.stray(&token, span));
    }
    Ok(Expr { root: part.node, kind: part.kind, operands: parser.operands, cells: parser.cells })
}

/// A checked part of the expression, with its bytes.
struct Part {
    node: Node,
    kind: Kind,
    span: Range<usize>,
}

struct Parser<'t, 'r> {
    text: &'t str,
    tokens: Vec<Spanned<'t>>,
    next: usize,
    depth: usize,
    resolve: Resolve<'r>,
    operands: Vec<Operand>,
    cells: usize,
}

impl<'t> Parser<'t, '_> {
    /// `a + b - c`
    fn sum(&mut self) -> Result<Part, ExprError> {
        self.chain(&[('+', Two::Sum), ('-', Two::Difference)], Self::product)
    }

    /// `a * b / c`
    fn product(&mut self) -> Result<Part, ExprError> {
        self.chain(&[('*', Two::Product), ('/', Two::Quotient)], Self::signed)
    }

    /// Operators of one binding power, from the left.
    fn chain(
        &mut self,
        operators: &[(char, Two)],
        tighter: fn(&mut Self) -> Result<Part, ExprError>,
    ) -> Result<Part, ExprError> {
        let mut left = tighter(self)?;
        while let Some((_, function)) = operators.iter().find(|(c, _)| self.peek().0 == Token::Mark(*c)) {
            self.next += 1;
            let right = tighter(self)?;
            left = both(*function, left, right)?;
        }
        Ok(left)
    }

    /// `-a`, which binds tighter than `*`.
    fn signed(&mut self) -> Result<Part, ExprError> {
        let (token, span) = self.peek().clone();
        if token != Token::Mark('-') {
            return self.atom();
        }
        self.next += 1;
        let part = self.deeper(&span, Self::signed)?;
        kinds::relative(part.kind).map_err(at(span.start..part.span.end))?;
        let span = span.start..part.span.end;
        Ok(Part { node: Node::Of(One::Negative, Box::new(part.node)), kind: part.kind, span })
    }

    fn atom(&mut self) -> Result<Part, ExprError> {
        let (token, span) = self.peek().clone();
        match token {
            Token::Number(number) => self.number(number, span),
            Token::Quoted(text) => {
                self.next += 1;
                let quantity = quantity(text, &span)?;
                Ok(Part { node: Node::Constant(quantity.si), kind: quantity.unit.kind, span })
            }
            Token::Name(name) => {
                self.next += 1;
                match self.peek().0 == Token::Mark('(') {
                    true => self.call(name, span),
                    false => self.named(name, span),
                }
            }
            Token::Mark('(') => {
                self.next += 1;
                let inner = self.deeper(&span, Self::sum)?;
                let close = self.close()?;
                Ok(Part { span: span.start..close, ..inner })
            }
            token => Err(self.stray_value(&token, span)),
        }
    }

    /// A bare number. A unit that follows without quotes is named as such.
    fn number(&mut self, number: f64, span: Range<usize>) -> Result<Part, ExprError> {
        self.next += 1;
        if let (Token::Name(name), unit) = self.peek().clone() {
            let written = &self.text[span.start..unit.end];
            let help = parse_quantity(written).is_ok().then(|| format!("write '{written}' in quotes"));
            return Err(wrong(unit, format!("expected an operator, found `{name}`"), help));
        }
        Ok(Part { node: Node::Constant(number), kind: Kind::default(), span })
    }

    /// A channel or a demand.
    fn named(&mut self, name: &str, span: Range<usize>) -> Result<Part, ExprError> {
        let Some((operand, kind)) = (self.resolve)(name) else {
            let help = match FUNCTIONS.iter().find(|f| f.name == name) {
                Some(function) => {
                    Some(format!("a function takes its values in parentheses: {}", function.usage))
                }
                None => near_name(name, self.resolve).map(|near| format!("did you mean `{near}`?")),
            };
            return Err(wrong(span, format!("there is no channel `{name}`"), help));
        };
        if !self.operands.contains(&operand) {
            self.operands.push(operand);
        }
        Ok(Part { node: Node::Operand(operand), kind, span })
    }

    /// A function; the parenthesis is next.
    fn call(&mut self, name: &str, span: Range<usize>) -> Result<Part, ExprError> {
        let Some(function) = FUNCTIONS.iter().find(|f| f.name == name) else {
            let help = suggestion(name, FUNCTIONS.iter().map(|f| f.name));
            return Err(wrong(span, format!("there is no function `{name}`"), Some(help)));
        };
        self.next += 1;
        match function.sort {
            Sort::One(_) | Sort::Two(_) => self.call_of_values(function, span),
            Sort::Past(past) => self.call_of_past(function, past, span),
        }
    }

    fn call_of_values(&mut self, function: &Function, span: Range<usize>) -> Result<Part, ExprError> {
        let mut parts = vec![self.deeper(&span, Self::sum)?];
        while self.peek().0 == Token::Mark(',') {
            self.next += 1;
            parts.push(self.deeper(&span, Self::sum)?);
        }
        let span = span.start..self.close()?;
        let found = parts.len();
        let mut parts = parts.into_iter();
        let first = parts.next().ok_or_else(|| function.count(0, span.clone()))?;
        match function.sort {
            Sort::One(one) if found == 1 => {
                let kind = match one {
                    One::Root => kinds::root(first.kind).map_err(at(span.clone()))?,
                    _ => kinds::relative(first.kind).map(|()| first.kind).map_err(at(span.clone()))?,
                };
                Ok(Part { node: Node::Of(one, Box::new(first.node)), kind, span })
            }
            Sort::Two(two) if found >= 2 => {
                let whole = parts.try_fold(first, |a, b| both(two, a, b))?;
                Ok(Part { span, ..whole })
            }
            _ => Err(function.count(found, span)),
        }
    }

    /// A function with memory: a value, and a length of time as a quantity.
    fn call_of_past(
        &mut self,
        function: &Function,
        past: Past,
        span: Range<usize>,
    ) -> Result<Part, ExprError> {
        let value = self.deeper(&span, Self::sum)?;
        if self.peek().0 != Token::Mark(',') {
            let span = span.start..self.close()?;
            return Err(function.count(1, span));
        }
        self.next += 1;
        let (token, length_span) = self.peek().clone();
        let Token::Quoted(text) = token else {
            let help = Some(format!("write {}", function.usage));
            return Err(wrong(length_span, "expected a duration in quotes", help));
        };
        self.next += 1;
        let length = quantity(text, &length_span)?;
        let expected = Kind { dim: crate::units::Dim { time: 1, ..Default::default() }, ..Kind::default() };
        if length.unit.kind != expected || length.si <= 0.0 {
            let found = match length.unit.kind == expected {
                true => format!("`{text}` is not above zero"),
                false => format!("`{text}` is {}, expected a duration", kinds::named(length.unit.kind)),
            };
            return Err(wrong(length_span, found, Some(format!("write {}", function.usage))));
        }
        let kind = if past == Past::Rate { value.kind.per_second() } else { value.kind };
        let span = span.start..self.close()?;
        self.cells += 1;
        let node = Node::Past(past, self.cells - 1, length.si, Box::new(value.node));
        Ok(Part { node, kind, span })
    }

    /// Reads something one level further in; refuses to go too deep.
    fn deeper(
        &mut self,
        span: &Range<usize>,
        read: fn(&mut Self) -> Result<Part, ExprError>,
    ) -> Result<Part, ExprError> {
        if self.depth == DEPTH_MAX {
            let help = Some("split it into several derived channels".into());
            return Err(wrong(span.clone(), "the expression is nested too deep", help));
        }
        self.depth += 1;
        let part = read(self);
        self.depth -= 1;
        part
    }

    /// Takes a closing parenthesis and says where it ends.
    fn close(&mut self) -> Result<usize, ExprError> {
        let (token, span) = self.peek().clone();
        if token != Token::Mark(')') {
            return Err(match token {
                Token::End => wrong(span, "a parenthesis is not closed", Some("add `)`".into())),
                token => self.stray(&token, span),
            });
        }
        self.next += 1;
        Ok(span.end)
    }

    /// The next token; the last one is the end and stays.
    fn peek(&self) -> &Spanned<'t> {
        &self.tokens[self.next.min(self.tokens.len() - 1)]
    }

    /// A message about a token that stands where an operator should.
    fn stray(&self, token: &Token<'_>, span: Range<usize>) -> ExprError {
        let help = match token {
            Token::Mark(')') => "there is no open parenthesis for it",
            _ => "join two values by + - * or /",
        };
        let found = &self.text[span.clone()];
        wrong(span, format!("expected an operator, found `{found}`"), Some(help.into()))
    }

    /// A message about a token that stands where a value should.
    fn stray_value(&self, token: &Token<'_>, span: Range<usize>) -> ExprError {
        let found = match token {
            Token::End => "the end".to_string(),
            _ => format!("`{}`", &self.text[span.clone()]),
        };
        let help = "a value is a channel, demand.NAME, a number, or a quantity in quotes, as '__ ms'";
        wrong(span, format!("expected a value, found {found}"), Some(help.into()))
    }
}

/// Joins two parts and checks that their kinds go together.
fn both(function: Two, a: Part, b: Part) -> Result<Part, ExprError> {
    let span = a.span.start..b.span.end;
    let kind = match function {
        Two::Sum => kinds::sum(a.kind, b.kind, false),
        Two::Difference => kinds::sum(a.kind, b.kind, true),
        Two::Product => kinds::product(a.kind, b.kind),
        Two::Quotient => kinds::quotient(a.kind, b.kind),
        Two::Smaller | Two::Larger => kinds::choice(a.kind, b.kind),
    };
    let kind = kind.map_err(at(span.clone()))?;
    Ok(Part { node: Node::Both(function, Box::new(a.node), Box::new(b.node)), kind, span })
}

/// A function that an expression may use.
struct Function {
    name: &'static str,
    usage: &'static str,
    sort: Sort,
}

enum Sort {
    One(One),
    Two(Two),
    Past(Past),
}

const FUNCTIONS: &[Function] = &[
    Function { name: "abs", usage: "abs(x)", sort: Sort::One(One::Absolute) },
    Function { name: "sqrt", usage: "sqrt(x)", sort: Sort::One(One::Root) },
    Function { name: "min", usage: "min(x, y)", sort: Sort::Two(Two::Smaller) },
    Function { name: "max", usage: "max(x, y)", sort: Sort::Two(Two::Larger) },
    Function { name: "rate", usage: "rate(x, '100 ms')", sort: Sort::Past(Past::Rate) },
    Function { name: "lowpass", usage: "lowpass(x, '20 ms')", sort: Sort::Past(Past::Lowpass) },
    Function { name: "mean", usage: "mean(x, '1 s')", sort: Sort::Past(Past::Mean) },
];

impl Function {
    /// A message about the number of values in parentheses.
    fn count(&self, found: usize, span: Range<usize>) -> ExprError {
        let help = Some(format!("write {}", self.usage));
        wrong(
            span,
            format!("`{}` cannot take {found} value{}", self.name, if found == 1 { "" } else { "s" }),
            help,
        )
    }
}

/// A name that is known and one letter away, or the same with `demand.` before it. The names
/// themselves are not known here, so every change of one letter is asked for.
fn near_name(name: &str, resolve: Resolve<'_>) -> Option<String> {
    const LETTERS: &str = "abcdefghijklmnopqrstuvwxyz0123456789_.";
    if name.len() > 40 {
        return None;
    }
    let letters: Vec<char> = name.chars().collect();
    let splice = |from: usize, to: usize, new: &[char]| -> String {
        letters[..from].iter().chain(new).chain(&letters[to..]).collect()
    };
    let mut near = vec![format!("demand.{name}"), name.to_lowercase()];
    for i in 0..letters.len() {
        near.push(splice(i, i + 1, &[]));
        if i + 1 < letters.len() {
            near.push(splice(i, i + 2, &[letters[i + 1], letters[i]]));
        }
    }
    for c in LETTERS.chars() {
        near.extend((0..=letters.len()).map(|i| splice(i, i, &[c])));
        near.extend((0..letters.len()).map(|i| splice(i, i + 1, &[c])));
    }
    near.into_iter().find(|candidate| resolve(candidate).is_some())
}

fn quantity(text: &str, span: &Range<usize>) -> Result<Quantity, ExprError> {
    parse_quantity(text).map_err(|e| ExprError { message: e.message, span: span.clone(), help: e.help })
}

fn at(span: Range<usize>) -> impl FnOnce(Mismatch) -> ExprError {
    move |(message, help)| ExprError { message, span, help }
}

fn wrong(span: Range<usize>, message: impl Into<String>, help: Option<String>) -> ExprError {
    ExprError { message: message.into(), span, help }
}
