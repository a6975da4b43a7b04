//! Rust expressions as a tree, and the lines that they make: constructor calls, chains of builder calls, lists.
//!
//! What fits a line stands on it; what does not is broken the way that the usual formatter breaks it, one argument,
//! one link of a chain or one entry of a list a line.

/// Columns in a line.
pub(super) const WIDTH: usize = 120;
const INDENT: usize = 4;

/// A part of Rust source.
#[derive(Debug)]
pub(super) enum Expression {
    /// What is never broken.
    Text(String),
    /// `&[entry, entry]`
    List(Vec<Expression>),
    /// `path(argument, argument).link(argument).link()`
    Chain(Vec<Call>),
}

/// A call and its arguments.
#[derive(Debug)]
pub(super) struct Call {
    path: String,
    arguments: Vec<Expression>,
}

pub(super) fn text(text: String) -> Expression {
    Expression::Text(text)
}

pub(super) fn list(entries: impl IntoIterator<Item = Expression>) -> Expression {
    Expression::List(entries.into_iter().collect())
}

pub(super) fn call(path: &str, arguments: impl IntoIterator<Item = Expression>) -> Expression {
    Expression::Chain(vec![Call { path: path.to_owned(), arguments: arguments.into_iter().collect() }])
}

impl Expression {
    /// The same with a method called on it.
    pub(super) fn then<const N: usize>(self, method: &str, arguments: [Expression; N]) -> Self {
        let link = Call { path: format!(".{method}"), arguments: arguments.into() };
        match self {
            Self::Chain(mut calls) => {
                calls.push(link);
                Self::Chain(calls)
            }
            other => Self::Chain(vec![Call { path: other.on_one_line(), arguments: Vec::new() }, link]),
        }
    }

    /// Everything between `before` and `after`, whose first line is indented by `indent`, which is not written.
    pub(super) fn lines(&self, before: &str, indent: usize, after: &str) -> String {
        let flat = self.on_one_line();
        if indent + before.len() + flat.chars().count() + after.len() <= WIDTH {
            return format!("{before}{flat}{after}");
        }
        match self {
            Self::Text(text) => format!("{before}{text}{after}"),
            Self::List(entries) => format!("{before}&[{}]{after}", broken(entries, indent)),
            Self::Chain(calls) => {
                let (head, links) = match calls.as_slice() {
                    [head, links @ ..] => (head, links),
                    [] => return format!("{before}{after}"),
                };
                let head_fits = indent + before.len() + head.on_one_line().chars().count() <= WIDTH;
                let head_ends = if links.is_empty() { after } else { "" };
                let mut lines = head.lines(before, indent, head_ends);
                // Links stand below the head if that is one line, and go on from its last line if not.
                let indent = if head_fits { indent + INDENT } else { indent };
                for (at, link) in links.iter().enumerate() {
                    let ends = if at + 1 == links.len() { after } else { "" };
                    lines = lines + "\n" + &" ".repeat(indent) + &link.lines("", indent, ends);
                }
                lines
            }
        }
    }

    fn on_one_line(&self) -> String {
        match self {
            Self::Text(text) => text.clone(),
            Self::List(entries) => format!("&[{}]", joined(entries)),
            Self::Chain(calls) => calls.iter().map(Call::on_one_line).collect(),
        }
    }
}

impl Call {
    fn on_one_line(&self) -> String {
        format!("{}({})", self.path, joined(&self.arguments))
    }

    fn lines(&self, before: &str, indent: usize, after: &str) -> String {
        let flat = self.on_one_line();
        if indent + before.len() + flat.chars().count() + after.len() <= WIDTH {
            return format!("{before}{flat}{after}");
        }
        match self.arguments.as_slice() {
            // One argument that is broken itself needs no line of its own.
            [only @ Expression::List(_)] => {
                only.lines(&format!("{before}{}(", self.path), indent, &format!("){after}"))
            }
            [Expression::Chain(calls)] if calls.len() == 1 => {
                calls[0].lines(&format!("{before}{}(", self.path), indent, &format!("){after}"))
            }
            arguments => format!("{before}{}({}){after}", self.path, broken(arguments, indent)),
        }
    }
}

fn joined(expressions: &[Expression]) -> String {
    expressions.iter().map(Expression::on_one_line).collect::<Vec<_>>().join(", ")
}

/// One expression a line, between the line of the opening bracket and the closing one.
fn broken(expressions: &[Expression], indent: usize) -> String {
    let inner = indent + INDENT;
    let lines: String =
        expressions.iter().map(|entry| " ".repeat(inner) + &entry.lines("", inner, ",") + "\n").collect();
    format!("\n{lines}{}", " ".repeat(indent))
}
