//! What is wrong with a JSON file, said to the person who wrote it and not to a programmer.

/// A fault with its place: " at outline\[1\]\[1\], line 3: found the words "x" where a number belongs", to be put
/// behind the name of the file and "is wrong".
pub(crate) fn words(fault: &serde_path_to_error::Error<serde_json::Error>) -> String {
    let place = fault.path().to_string();
    let at = if matches!(&*place, "." | "?") { String::new() } else { format!(" at {place}") };
    format!("{at}{}", of(fault.inner()))
}

/// As [`words`], where the place within the file is not known.
pub(crate) fn of(fault: &serde_json::Error) -> String {
    let message = fault.to_string();
    let message = message.rsplit_once(" at line ").map_or(&*message, |(before, _)| before);
    let (line, column) = (fault.line(), fault.column());
    let (said, shown) = match (fault.classify(), line) {
        (serde_json::error::Category::Eof, 1) if column == 0 => ("it is empty".into(), false),
        (serde_json::error::Category::Eof, _) => ("it ends in the middle".into(), line > 0),
        _ => (plain(message), line > 0),
    };
    if shown { format!(" in line {line}, at character {column}: {said}") } else { format!(": {said}") }
}

/// The message of the JSON reader in plain words; as it is where it is not one of the usual ones.
fn plain(message: &str) -> String {
    let known = |rest: &str| {
        let rest = rest.trim_start_matches("one of ");
        format!("known are {}", rest.replace('`', "\""))
    };
    let named = |text: &str, begin: &str| {
        let (name, rest) = text.strip_prefix(begin)?.split_once('`')?;
        Some((name.to_string(), rest.trim_start_matches(", expected ").to_string()))
    };
    if let Some((name, _)) = named(message, "missing field `") {
        return format!("\"{name}\" is missing");
    }
    if let Some((name, _)) = named(message, "duplicate field `") {
        return format!("\"{name}\" is said twice");
    }
    if let Some((name, rest)) = named(message, "unknown field `").or_else(|| named(message, "unknown variant `")) {
        return format!("\"{name}\" is not known there; {}", known(&rest));
    }
    let invalid = ["invalid type: ", "invalid value: ", "invalid length "];
    if let Some((found, wanted)) =
        invalid.iter().find_map(|begin| message.strip_prefix(begin)).and_then(|m| m.split_once(", expected "))
    {
        return format!("found {} where {} belongs", found_words(found), wanted_words(wanted));
    }
    match message {
        "expected value" => "neither a number nor words in quotes, which belong there".into(),
        "trailing characters" => "more stands there than belongs there".into(),
        "number out of range" => "the number is too large".into(),
        _ => match message.strip_prefix("expected ") {
            Some(wanted) => format!("{} belongs there", wanted.replace('`', "\"")),
            None => message.replace('`', "\""),
        },
    }
}

fn found_words(found: &str) -> String {
    match found {
        "null" => "nothing (null)".into(),
        "map" => "{ }".into(),
        "sequence" => "a list".into(),
        count if count.chars().all(|c| c.is_ascii_digit()) => format!("a list of {count}"),
        _ => match found.split_once(' ') {
            Some(("string", rest)) => format!("the words {rest}"),
            _ => found.replace("floating point", "the number").replace("integer", "the number").replace('`', ""),
        },
    }
}

fn wanted_words(wanted: &str) -> String {
    match wanted {
        "f64" | "f32" => "a number".into(),
        "usize" | "u64" | "u32" | "u8" | "i64" => "a whole number".into(),
        "a sequence" => "a list".into(),
        "a string" => "words in quotes".into(),
        "a boolean" => "true or false".into(),
        _ if wanted == "a map" || wanted.starts_with("struct ") => "{ }".into(),
        _ => wanted.replace("an array of length", "a list of").replace('`', "\""),
    }
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Form {
        #[expect(dead_code, reason = "only its reading is looked at")]
        name: String,
        #[expect(dead_code, reason = "only its reading is looked at")]
        places: Vec<[f64; 2]>,
    }

    fn fault(json: &str) -> String {
        let mut reader = serde_json::Deserializer::from_str(json);
        super::words(&serde_path_to_error::deserialize::<_, Form>(&mut reader).unwrap_err())
    }

    #[test]
    fn faults_are_said_in_plain_words_with_their_place() {
        for (json, said) in [
            ("", ": it is empty"),
            ("{\"name\":", "it ends in the middle"),
            ("{}", "\"name\" is missing"),
            ("{\"name\": 3}", " at name in line 1, at character 10: found the number 3 where words in quotes belongs"),
            ("{\"colour\": 3}", "\"colour\" is not known there; known are \"name\" or \"places\""),
            (
                "{\"places\": [[0, \"x\"]]}",
                "at places[0][1] in line 1, at character 19: found the words \"x\" where a number",
            ),
            ("{\"places\": [[0, null]]}", "found nothing (null) where a number belongs"),
            ("{\"places\": [[0]]}", "found a list of 1 where a list of 2 belongs"),
            ("{\"places\": [[0, NaN]]}", "neither a number nor words in quotes"),
            ("{\"name\": \"a\" \"places\"}", "\",\" or \"}\" belongs there"),
        ] {
            let told = fault(json);
            assert!(told.contains(said), "{json}: {told}");
            assert!(!told.contains('`') && !told.contains("f64"), "{json}: {told}");
        }
    }
}
