//! What a source file names, by its syntax tree: imports with their braces, aliases and globs written out, paths in code, and
//! whatever stands inside macros. Code under `#[cfg(test)]` is left out.

use proc_macro2::{Delimiter, Span, TokenStream, TokenTree};
use std::collections::BTreeMap;
use syn::spanned::Spanned;
use syn::visit::{self, Visit};

/// A path that a file names, its first segment written out: `std::fs::read`, `crate::plan`, `.exists`, `println!`, `"text"`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Name {
    /// The segments, joined by `::`. A method begins with a dot, a macro ends with `!`, a string stands in quotes.
    pub path: String,
    /// Line of the file.
    pub line: usize,
}

impl Name {
    /// Whether it is `path` or lies below it.
    pub fn is_within(&self, path: &str) -> bool {
        self.path.strip_prefix(path).is_some_and(|rest| rest.is_empty() || rest.starts_with("::"))
    }

    /// Its last segment.
    pub fn last(&self) -> &str {
        self.path.rsplit("::").next().unwrap_or(&self.path)
    }
}

/// What a file names. `module` is where it stands, below the crate: `["engine", "winding"]`.
///
/// Fails with the message of the parser where the text is no Rust.
pub fn names(text: &str, module: &[String]) -> Result<Vec<Name>, String> {
    let file = syn::parse_file(text).map_err(|e| e.to_string())?;
    let mut aliases = Aliases::default();
    aliases.visit_file(&file);
    let mut walk = Walk { module: module.to_vec(), aliases: aliases.0, found: Vec::new() };
    walk.visit_file(&file);
    walk.found.sort();
    walk.found.dedup();
    Ok(walk.found)
}

fn is_for_tests(attributes: &[syn::Attribute]) -> bool {
    attributes.iter().any(|attribute| {
        let syn::Meta::List(list) = &attribute.meta else { return false };
        list.path.is_ident("cfg") && list.tokens.to_string() == "test"
    })
}

fn attributes(item: &syn::Item) -> &[syn::Attribute] {
    match item {
        syn::Item::Mod(item) => &item.attrs,
        syn::Item::Fn(item) => &item.attrs,
        syn::Item::Use(item) => &item.attrs,
        syn::Item::Impl(item) => &item.attrs,
        syn::Item::Struct(item) => &item.attrs,
        syn::Item::Const(item) => &item.attrs,
        _ => &[],
    }
}

/// The leaves of an import: the path to each, and the name that it is known by from there on.
fn leaves(tree: &syn::UseTree, before: &[String], found: &mut Vec<(Vec<String>, Option<String>, Span)>) {
    let with = |ident: &syn::Ident| [before, &[ident.to_string()]].concat();
    match tree {
        syn::UseTree::Path(path) => leaves(&path.tree, &with(&path.ident), found),
        // `use std::fs::{self}` is `std::fs`.
        syn::UseTree::Name(name) if name.ident == "self" => {
            found.push((before.to_vec(), before.last().cloned(), name.span()));
        }
        syn::UseTree::Name(name) => {
            found.push((with(&name.ident), Some(name.ident.to_string()), name.span()))
        }
        syn::UseTree::Rename(rename) if rename.ident == "self" => {
            found.push((before.to_vec(), Some(rename.rename.to_string()), rename.span()));
        }
        syn::UseTree::Rename(rename) => {
            found.push((with(&rename.ident), Some(rename.rename.to_string()), rename.span()));
        }
        syn::UseTree::Glob(glob) => {
            found.push(([before, &["*".to_string()]].concat(), None, glob.span()));
        }
        syn::UseTree::Group(group) => group.items.iter().for_each(|tree| leaves(tree, before, found)),
    }
}

/// First pass: under which names a file knows what it imports. One scope serves a whole file: too much found is seen, too
/// little is not.
#[derive(Default)]
struct Aliases(BTreeMap<String, Vec<String>>);

impl<'ast> Visit<'ast> for Aliases {
    fn visit_item(&mut self, item: &'ast syn::Item) {
        if !is_for_tests(attributes(item)) {
            visit::visit_item(self, item);
        }
    }

    fn visit_item_use(&mut self, item: &'ast syn::ItemUse) {
        let mut found = Vec::new();
        leaves(&item.tree, &[], &mut found);
        for (path, name, _) in found {
            if let Some(name) = name.filter(|name| name != "_") {
                self.0.insert(name, path);
            }
        }
    }

    fn visit_item_extern_crate(&mut self, item: &'ast syn::ItemExternCrate) {
        if let Some((_, name)) = &item.rename {
            self.0.insert(name.to_string(), vec![item.ident.to_string()]);
        }
    }
}

/// Second pass: every path.
struct Walk {
    module: Vec<String>,
    aliases: BTreeMap<String, Vec<String>>,
    found: Vec<Name>,
}

impl Walk {
    fn note(&mut self, segments: &[String], span: Span) {
        let path = self.whole(segments).join("::");
        self.found.push(Name { path, line: span.start().line });
    }

    /// The path with its first segment written out: aliases replaced, `self` and `super` counted from the module.
    fn whole(&self, segments: &[String]) -> Vec<String> {
        let mut segments = segments.to_vec();
        // An alias may stand for another; one that stands for itself ends it.
        for _ in 0..8 {
            let Some(aliased) = segments.first().and_then(|first| self.aliases.get(first)) else { break };
            if aliased.first() == segments.first() {
                break;
            }
            segments = [aliased.as_slice(), &segments[1..]].concat();
        }
        let mut module = self.module.clone();
        let mut relative = false;
        let mut rest = segments.as_slice();
        while let Some(first @ ("self" | "super")) = rest.first().map(String::as_str) {
            relative = true;
            if first == "super" {
                module.pop();
            }
            rest = &rest[1..];
        }
        if relative { [&["crate".to_string()], module.as_slice(), rest].concat() } else { segments }
    }

    /// Paths, method calls, macros and strings among tokens, which no parser has read: what a macro is given.
    fn tokens(&mut self, tokens: TokenStream) {
        let trees: Vec<TokenTree> = tokens.into_iter().collect();
        let mut at = 0;
        while at < trees.len() {
            match &trees[at] {
                TokenTree::Group(group) => self.tokens(group.stream()),
                TokenTree::Literal(literal) => self.literal(&literal.to_string(), literal.span()),
                TokenTree::Ident(ident) => {
                    let after_dot = at > 0 && is_punct(&trees[at - 1], '.');
                    let span = ident.span();
                    let (segments, next) = self.token_path(&trees, at);
                    if after_dot && segments.len() == 1 {
                        self.found.push(Name { path: format!(".{}", segments[0]), line: span.start().line });
                    } else if trees.get(next).is_some_and(|t| is_punct(t, '!')) {
                        self.note(&segments, span);
                        self.found.push(Name {
                            path: format!("{}!", segments[segments.len() - 1]),
                            line: span.start().line,
                        });
                    } else {
                        self.note(&segments, span);
                    }
                    at = next;
                    continue;
                }
                TokenTree::Punct(_) => {}
            }
            at += 1;
        }
    }

    /// The path that begins at a token, and where what follows it begins. Braces after `::` are an import's.
    fn token_path(&mut self, trees: &[TokenTree], mut at: usize) -> (Vec<String>, usize) {
        let mut segments = Vec::new();
        while let Some(TokenTree::Ident(ident)) = trees.get(at) {
            segments.push(ident.to_string());
            at += 1;
            let separator = trees.get(at).is_some_and(|t| is_punct(t, ':'))
                && trees.get(at + 1).is_some_and(|t| is_punct(t, ':'));
            if !separator {
                break;
            }
            match trees.get(at + 2) {
                Some(TokenTree::Ident(_)) => at += 2,
                Some(TokenTree::Group(group)) if group.delimiter() == Delimiter::Brace => {
                    for tree in group.stream() {
                        if let TokenTree::Ident(ident) = &tree {
                            self.note(&[segments.as_slice(), &[ident.to_string()]].concat(), ident.span());
                        }
                    }
                    break;
                }
                _ => break,
            }
        }
        (segments, at)
    }

    fn literal(&mut self, text: &str, span: Span) {
        if text.contains('"') {
            self.found.push(Name { path: text.to_string(), line: span.start().line });
        }
    }
}

fn is_punct(tree: &TokenTree, wanted: char) -> bool {
    matches!(tree, TokenTree::Punct(punct) if punct.as_char() == wanted)
}

impl<'ast> Visit<'ast> for Walk {
    fn visit_item(&mut self, item: &'ast syn::Item) {
        if !is_for_tests(attributes(item)) {
            visit::visit_item(self, item);
        }
    }

    fn visit_impl_item_fn(&mut self, item: &'ast syn::ImplItemFn) {
        if !is_for_tests(&item.attrs) {
            visit::visit_impl_item_fn(self, item);
        }
    }

    fn visit_item_mod(&mut self, item: &'ast syn::ItemMod) {
        self.module.push(item.ident.to_string());
        visit::visit_item_mod(self, item);
        self.module.pop();
    }

    fn visit_item_use(&mut self, item: &'ast syn::ItemUse) {
        let mut found = Vec::new();
        leaves(&item.tree, &[], &mut found);
        for (path, _, span) in found {
            self.note(&path, span);
        }
    }

    fn visit_item_extern_crate(&mut self, item: &'ast syn::ItemExternCrate) {
        self.note(&[item.ident.to_string()], item.span());
    }

    fn visit_attribute(&mut self, attribute: &'ast syn::Attribute) {
        // A file that is taken from elsewhere belongs to no room. Comments are attributes, and name nothing.
        if attribute.path().is_ident("path") {
            self.found.push(Name { path: "#[path]".into(), line: attribute.span().start().line });
        }
    }

    fn visit_path(&mut self, path: &'ast syn::Path) {
        let segments: Vec<String> = path.segments.iter().map(|s| s.ident.to_string()).collect();
        self.note(&segments, path.span());
        visit::visit_path(self, path);
    }

    fn visit_expr_method_call(&mut self, call: &'ast syn::ExprMethodCall) {
        self.found.push(Name { path: format!(".{}", call.method), line: call.method.span().start().line });
        visit::visit_expr_method_call(self, call);
    }

    fn visit_macro(&mut self, called: &'ast syn::Macro) {
        let segments: Vec<String> = called.path.segments.iter().map(|s| s.ident.to_string()).collect();
        self.note(&segments, called.path.span());
        // A macro that was imported under another name is the same macro.
        let whole = self.whole(&segments);
        let last = whole.last().cloned().unwrap_or_default();
        self.found.push(Name { path: format!("{last}!"), line: called.path.span().start().line });
        self.tokens(called.tokens.clone());
    }

    fn visit_lit_str(&mut self, literal: &'ast syn::LitStr) {
        self.found.push(Name { path: format!("{:?}", literal.value()), line: literal.span().start().line });
    }
}
