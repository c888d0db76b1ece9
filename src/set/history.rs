//! What was changed in a set's own file, as steps that can be taken back and made again: `set.changes.json`.
//!
//! A step holds only what differs, by its place in the file (a JSON Pointer, RFC 6901), with what stood there before and
//! after: a thousand steps stay a small file. A step is made, or taken back, only on a file that holds exactly what the
//! step says, so a file changed by hand meanwhile is never mixed with older changes.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::file::{self, SetFile};
use crate::corrections::{self, Corrections};
use crate::json_fault;
use crate::refusal::{Refusal, RefusalKind};

/// The file's own name for its format.
pub const FORMAT: &str = "clothline-set-changes";
/// Version written, and the newest that is read.
pub const VERSION: u32 = 1;
/// More steps than this are no hand's work.
const MOST_STEPS: usize = 100_000;
/// Longer words are cut, letters.
const MOST_WORDS: usize = 200;

/// The steps of a set, the next to be taken back (or made again) last.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct History {
    done: Vec<Step>,
    undone: Vec<Step>,
}

/// One change to a set's own file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Step {
    /// What was done, in words.
    words: String,
    differences: Vec<Difference>,
    /// What a person had changed on the outlines of pieces that this step takes off, or brings back.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    outlines: BTreeMap<String, Value>,
}

/// One place that differs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
enum Difference {
    /// A value; none: there was (or is) nothing at this place.
    Value {
        at: String,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        before: Option<Value>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        after: Option<Value>,
    },
    /// Items of a list, from the `first` on.
    Items { at: String, first: usize, before: Vec<Value>, after: Vec<Value> },
}

/// A file after a step, and what has to be put back on the outlines of pieces that are there again.
#[derive(Debug, Clone, PartialEq)]
pub struct Stepped {
    /// The set's own file.
    pub set: SetFile,
    /// Changes to outlines, by the names of pieces.
    pub outlines: BTreeMap<String, Corrections>,
}

impl History {
    /// Remembers that a set became another one; false if nothing differs. `outlines` are the changes made on the outlines
    /// of pieces that are gone now.
    ///
    /// # Errors
    /// [`RefusalKind::File`] for what JSON cannot hold; [`RefusalKind::BadRequest`] for too many steps.
    pub fn add(
        &mut self,
        words: &str,
        (before, after): (&SetFile, &SetFile),
        outlines: &BTreeMap<String, Corrections>,
    ) -> Result<bool, Refusal> {
        let mut differences = Vec::new();
        compare("", &value(before)?, &value(after)?, &mut differences);
        if differences.is_empty() {
            return Ok(false);
        }
        if self.done.len() >= MOST_STEPS {
            let advice = "take set.changes.json out of the set's folder and load the page again";
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                format!("there are {MOST_STEPS} changes already"),
                advice,
            ));
        }
        let words = words.chars().filter(|c| !c.is_control()).take(MOST_WORDS).collect();
        self.done.push(Step { words, differences, outlines: kept(outlines)? });
        self.undone.clear();
        Ok(true)
    }

    /// What would be taken back, in words.
    pub fn undo_words(&self) -> Option<&str> {
        self.done.last().map(|step| step.words.as_str())
    }

    /// What would be made again, in words.
    pub fn redo_words(&self) -> Option<&str> {
        self.undone.last().map(|step| step.words.as_str())
    }

    /// How many steps hold.
    pub fn count(&self) -> usize {
        self.done.len()
    }

    /// Takes the last step back on a set; none if there is no step. `gone` gives the changes made on the outline of a piece
    /// that is no longer there afterwards.
    ///
    /// # Errors
    /// If the set does not hold what the step says; nothing has changed then.
    pub fn undo(
        &mut self,
        set: &SetFile,
        gone: &dyn Fn(&str) -> Option<Corrections>,
    ) -> Result<Option<Stepped>, Refusal> {
        let Some(step) = self.done.last() else { return Ok(None) };
        let stepped = step.made(set, false)?;
        let outlines = gone_from(set, &stepped.set, gone)?;
        if let Some(mut step) = self.done.pop() {
            step.outlines = outlines;
            self.undone.push(step);
        }
        Ok(Some(stepped))
    }

    /// Makes the step taken back last again; as [`History::undo`].
    ///
    /// # Errors
    /// As for [`History::undo`].
    pub fn redo(
        &mut self,
        set: &SetFile,
        gone: &dyn Fn(&str) -> Option<Corrections>,
    ) -> Result<Option<Stepped>, Refusal> {
        let Some(step) = self.undone.last() else { return Ok(None) };
        let stepped = step.made(set, true)?;
        let outlines = gone_from(set, &stepped.set, gone)?;
        if let Some(mut step) = self.undone.pop() {
            step.outlines = outlines;
            self.done.push(step);
        }
        Ok(Some(stepped))
    }

    /// Brings the steps in line with a set as it was found. The steps are kept before the set's own file is: one that was
    /// kept when the program was killed, and whose file was not, was not made.
    pub fn settle(&mut self, set: &SetFile) {
        let fits = |step: Option<&Step>, forth: bool| step.is_some_and(|step| step.made(set, forth).is_ok());
        if fits(self.done.last(), true) && !fits(self.done.last(), false) {
            self.undone.extend(self.done.pop());
        } else if fits(self.undone.last(), false) && !fits(self.undone.last(), true) {
            self.done.extend(self.undone.pop());
        }
    }
}

impl Step {
    /// The set with this step made (`forth`), or taken back.
    fn made(&self, set: &SetFile, forth: bool) -> Result<Stepped, Refusal> {
        let mut file = value(set)?;
        if !self.differences.iter().all(|difference| difference.make(&mut file, forth)) {
            return Err(Refusal::new(
                RefusalKind::BadRequest,
                format!("set.json was changed outside this page since \"{}\"", self.words),
                "change it back by hand; what is there now holds",
            ));
        }
        let none = file.get("pieces").and_then(Value::as_array).is_some_and(Vec::is_empty);
        // A set without pieces has no file; it is where every set begins.
        let set = if none {
            serde_json::from_value(file).map_err(|e| unreadable(&e.to_string()))?
        } else {
            file::read(&file.to_string())?
        };
        let outlines = self.outlines.iter().map(|(name, changes)| {
            let changes = corrections::read(&changes.to_string())?;
            Ok((name.clone(), changes))
        });
        Ok(Stepped { set, outlines: outlines.collect::<Result<_, Refusal>>()? })
    }
}

impl Difference {
    /// Puts one of its sides in the place of the other; false if the other does not stand there.
    fn make(&self, file: &mut Value, forth: bool) -> bool {
        match self {
            Difference::Value { at, before, after } => {
                let (old, new) = if forth { (before, after) } else { (after, before) };
                let Some((parent, key)) = at.rsplit_once('/') else { return false };
                match file.pointer_mut(parent) {
                    Some(Value::Object(object)) => {
                        let key = key.replace("~1", "/").replace("~0", "~");
                        if object.get(&key) != old.as_ref() {
                            return false;
                        }
                        match new {
                            Some(value) => drop(object.insert(key, value.clone())),
                            None => drop(object.remove(&key)),
                        }
                        true
                    }
                    Some(Value::Array(list)) => match (key.parse::<usize>().ok().and_then(|i| list.get_mut(i)), new) {
                        (Some(item), Some(value)) if Some(&*item) == old.as_ref() => {
                            *item = value.clone();
                            true
                        }
                        _ => false,
                    },
                    _ => false,
                }
            }
            Difference::Items { at, first, before, after } => {
                let (old, new) = if forth { (before, after) } else { (after, before) };
                let Some(Value::Array(list)) = file.pointer_mut(at) else { return false };
                let Some(range) = first.checked_add(old.len()).map(|end| *first..end) else { return false };
                if list.get(range.clone()) != Some(old.as_slice()) {
                    return false;
                }
                list.splice(range, new.iter().cloned());
                true
            }
        }
    }
}

/// Where two files differ.
fn compare(at: &str, before: &Value, after: &Value, out: &mut Vec<Difference>) {
    match (before, after) {
        (Value::Object(a), Value::Object(b)) => {
            for (key, old) in a {
                let place = format!("{at}/{}", key.replace('~', "~0").replace('/', "~1"));
                match b.get(key) {
                    Some(new) => compare(&place, old, new, out),
                    None => out.push(Difference::Value { at: place, before: Some(old.clone()), after: None }),
                }
            }
            for (key, new) in b.iter().filter(|(key, _)| !a.contains_key(*key)) {
                let place = format!("{at}/{}", key.replace('~', "~0").replace('/', "~1"));
                out.push(Difference::Value { at: place, before: None, after: Some(new.clone()) });
            }
        }
        (Value::Array(a), Value::Array(b)) if a.len() == b.len() => {
            for (i, (old, new)) in a.iter().zip(b).enumerate() {
                compare(&format!("{at}/{i}"), old, new, out);
            }
        }
        (Value::Array(a), Value::Array(b)) => {
            let first = a.iter().zip(b).take_while(|(old, new)| old == new).count();
            let last = a[first..].iter().rev().zip(b[first..].iter().rev()).take_while(|(old, new)| old == new).count();
            out.push(Difference::Items {
                at: at.to_string(),
                first,
                before: a[first..a.len() - last].to_vec(),
                after: b[first..b.len() - last].to_vec(),
            });
        }
        (old, new) if old != new => {
            out.push(Difference::Value { at: at.to_string(), before: Some(old.clone()), after: Some(new.clone()) });
        }
        _ => {}
    }
}

/// Changes made on the outlines of pieces that one set has and the other has not.
fn gone_from(
    before: &SetFile,
    after: &SetFile,
    changes: &dyn Fn(&str) -> Option<Corrections>,
) -> Result<BTreeMap<String, Value>, Refusal> {
    let gone = before.pieces.iter().filter(|p| !after.pieces.iter().any(|q| q.name == p.name));
    kept(&gone.filter_map(|p| Some((p.name.clone(), changes(&p.name)?))).collect())
}

fn kept(outlines: &BTreeMap<String, Corrections>) -> Result<BTreeMap<String, Value>, Refusal> {
    let any = |c: &Corrections| !c.done.is_empty() || !c.undone.is_empty();
    let kept = outlines.iter().filter(|(_, changes)| any(changes)).map(|(name, changes)| {
        let text = corrections::write(changes)?;
        Ok((name.clone(), serde_json::from_str(&text).map_err(|e| unreadable(&e.to_string()))?))
    });
    kept.collect()
}

fn value(set: &SetFile) -> Result<Value, Refusal> {
    serde_json::to_value(set).map_err(|e| unreadable(&e.to_string()))
}

fn unreadable(why: &str) -> Refusal {
    Refusal::new(RefusalKind::File, format!("the set could not be written ({why})"), "report this as a fault")
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    format: String,
    version: u32,
    #[serde(default)]
    done: Vec<Step>,
    #[serde(default)]
    undone: Vec<Step>,
}

/// Writes the steps as JSON, one a line.
///
/// # Errors
/// [`RefusalKind::File`] for what JSON cannot hold.
pub fn write(history: &History) -> Result<String, Refusal> {
    let lines = |steps: &[Step]| -> Result<String, Refusal> {
        let lines: Result<Vec<String>, _> = steps.iter().map(serde_json::to_string).collect();
        lines.map(|l| l.join(",\n  ")).map_err(|e| unreadable(&e.to_string()))
    };
    let (done, undone) = (lines(&history.done)?, lines(&history.undone)?);
    Ok(format!(
        "{{ \"format\": \"{FORMAT}\", \"version\": {VERSION},\n\"done\": [\n  {done}\n],\n\"undone\": [\n  {undone}\n] }}\n"
    ))
}

/// Reads the steps.
///
/// # Errors
/// [`RefusalKind::File`] for text that is not such a file, naming the place, or for a newer version.
pub fn read(json: &str) -> Result<History, Refusal> {
    let refuse = |seen: String| {
        let advice = "take the file out of the set's folder: the set itself stays, only older changes can no longer be taken back";
        Refusal::new(RefusalKind::File, seen, advice)
    };
    let mut reader = serde_json::Deserializer::from_str(json);
    let file: File = serde_path_to_error::deserialize(&mut reader)
        .map_err(|e| refuse(format!("set.changes.json is wrong{}", json_fault::words(&e))))?;
    if file.format != FORMAT {
        return Err(refuse(format!("set.changes.json has the format \"{}\", not \"{FORMAT}\"", file.format)));
    }
    if file.version > VERSION {
        let seen = format!("set.changes.json is of version {}, this program reads up to {VERSION}", file.version);
        return Err(Refusal::new(RefusalKind::File, seen, "update the program"));
    }
    Ok(History { done: file.done, undone: file.undone })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn set(json: Value) -> SetFile {
        serde_json::from_value(json).expect("a set")
    }

    /// Sets that differ in lists, maps and single values.
    fn any_set() -> impl Strategy<Value = SetFile> {
        let allowances = proptest::collection::btree_map("[1-4]|hem|a/b|c~d", 1..40u32, 0..4);
        let notches = proptest::collection::vec(("[1-4]", 1..90u32), 0..4);
        let piece = (allowances, notches, proptest::bool::ANY);
        let pieces = proptest::collection::btree_map("p[1-5]", piece, 0..4);
        (pieces, "[a-c]{1,2}", proptest::option::of("[x-z]")).prop_map(|(pieces, name, size)| {
            let pieces: Vec<Value> = pieces
                .into_iter()
                .map(|(name, (allowances, notches, whole))| {
                    let allowances: BTreeMap<String, String> =
                        allowances.into_iter().map(|(k, mm)| (k, format!("{mm}mm"))).collect();
                    let notches: Vec<Value> = notches
                        .into_iter()
                        .map(|(edge, mm)| serde_json::json!({ "edge": edge, "at": format!("{mm}mm") }))
                        .collect();
                    let mut piece = serde_json::json!({ "name": name, "outline": "a.json" });
                    piece["allowances"] = serde_json::json!(allowances);
                    piece["notches"] = serde_json::json!(notches);
                    if whole {
                        piece["draw"] = "whole".into();
                    }
                    piece
                })
                .collect();
            let mut file = serde_json::json!({ "format": file::FORMAT, "version": 1, "name": name, "pieces": pieces });
            if let Some(size) = size {
                file["size"] = size.into();
            }
            set(file)
        })
    }

    proptest! {
        /// Taken back in turn, every set comes out as it was, also from the file; made again, likewise.
        #[test]
        fn steps_are_taken_back_and_made_again_to_the_letter(sets in proptest::collection::vec(any_set(), 2..6)) {
            let mut history = History::default();
            let mut states = vec![sets[0].clone()];
            for next in &sets[1..] {
                if history.add("x", (states.last().unwrap(), next), &BTreeMap::new()).unwrap() {
                    states.push(next.clone());
                }
            }
            let mut history = read(&write(&history).unwrap()).unwrap();
            let mut now = states.last().unwrap().clone();
            for expected in states.iter().rev().skip(1) {
                now = history.undo(&now, &|_| None).unwrap().unwrap().set;
                prop_assert_eq!(&now, expected);
            }
            prop_assert!(history.undo(&now, &|_| None).unwrap().is_none());
            for expected in &states[1..] {
                now = history.redo(&now, &|_| None).unwrap().unwrap().set;
                prop_assert_eq!(&now, expected);
            }
        }
    }

    #[test]
    fn a_set_changed_by_hand_is_not_mixed_with_older_steps() {
        let of = |name: &str| {
            set(serde_json::json!({ "format": file::FORMAT, "version": 1, "name": name,
                "pieces": [{ "name": "bag", "outline": "a.json" }] }))
        };
        let mut history = History::default();
        assert!(history.add("named", (&of("a"), &of("b")), &BTreeMap::new()).unwrap());
        let before = history.clone();
        let refused = history.undo(&of("c"), &|_| None).unwrap_err();
        assert!(refused.seen.contains("named"), "{}", refused.seen);
        assert_eq!(history, before);
        // Killed between the two files: the step was not made.
        history.settle(&of("a"));
        assert_eq!((history.undo_words(), history.redo_words()), (None, Some("named")));
        history.settle(&of("b"));
        assert_eq!((history.undo_words(), history.redo_words()), (Some("named"), None));
    }

    #[test]
    fn what_was_changed_on_the_outline_of_a_piece_taken_off_comes_back_with_it() {
        let with = |pieces: Value| {
            set(serde_json::json!({ "format": file::FORMAT, "version": 1, "name": "a", "pieces": pieces }))
        };
        let (one, two) = (
            serde_json::json!({ "name": "bag", "outline": "a.json" }),
            serde_json::json!({ "name": "flap", "outline": "b.json" }),
        );
        let (before, after) = (with(serde_json::json!([one, two])), with(serde_json::json!([two])));
        let mut changes = Corrections::default();
        changes.add(corrections::Step::AddPoint { at: crate::units::MatPoint::new(1.0, 2.0) }).unwrap();
        let mut history = History::default();
        let gone = BTreeMap::from([("bag".to_string(), changes.clone())]);
        history.add("took bag off", (&before, &after), &gone).unwrap();
        let mut history = read(&write(&history).unwrap()).unwrap();
        let back = history.undo(&after, &|_| None).unwrap().unwrap();
        assert_eq!((back.set, back.outlines.get("bag")), (before.clone(), Some(&changes)));
        // Made again, they are kept once more.
        history.redo(&before, &|_| Some(changes.clone())).unwrap().unwrap();
        assert_eq!(history.undo(&after, &|_| None).unwrap().unwrap().outlines.get("bag"), Some(&changes));
    }
}
