//! `--with PLACE=VALUE`: a set made with other values than its file has.

use clothline::{Refusal, RefusalKind};

/// The text of a set with values replaced: PLACE is words with dots between, the first of them a piece's name or one of
/// the set's own words; a VALUE that is not JSON is taken as words.
///
/// # Errors
/// If a place is not there, or not so written.
pub fn replaced(text: &str, with: &[String]) -> Result<String, Refusal> {
    // What is wrong with the file itself is said by its reader.
    let Ok(mut set) = serde_json::from_str::<serde_json::Value>(text) else { return Ok(text.to_string()) };
    for typed in with {
        let bad = |seen: String| {
            Refusal::new(
                RefusalKind::BadRequest,
                seen,
                "write PLACE=VALUE, such as allowances.hem=2in or front.draw=whole",
            )
        };
        let (place, value) = typed.split_once('=').ok_or_else(|| bad(format!("\"{typed}\" has no \"=\"")))?;
        let value = serde_json::from_str(value).unwrap_or_else(|_| serde_json::Value::from(value));
        let mut words = place.split('.').map(str::trim);
        let first = words.next().unwrap_or_default();
        let piece = set["pieces"].as_array().and_then(|all| all.iter().position(|p| p["name"] == first));
        let mut at = match piece {
            Some(index) => &mut set["pieces"][index],
            None => set
                .as_object_mut()
                .map(|o| o.entry(first).or_insert_with(|| serde_json::json!({})))
                .ok_or_else(|| bad(format!("{place}: the set has no such place")))?,
        };
        for word in words {
            at = match at {
                serde_json::Value::Array(all) => word
                    .parse::<usize>()
                    .ok()
                    .and_then(|i| all.get_mut(i))
                    .ok_or_else(|| bad(format!("{place}: there is no item {word}")))?,
                serde_json::Value::Object(o) => o.entry(word).or_insert_with(|| serde_json::json!({})),
                _ => return Err(bad(format!("{place}: \"{word}\" is beyond a single value"))),
            };
        }
        *at = value;
    }
    Ok(set.to_string())
}
