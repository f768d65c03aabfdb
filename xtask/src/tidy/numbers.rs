//! The numbers of the analysis: every one says by a mark where it comes from, and what is set by hand stands in one file.

/// The file of what is set by hand, and how many stand there at most: none comes without another going. There were 165 when
/// it was made; 60 are aimed at.
pub const BY_HAND: &str = "dsp/src/parameters.rs";
const MOST_BY_HAND: usize = 115;

/// What a mark says; the first beside a number counts.
const MARKS: [(char, &str); 8] = [
    ('S', "a published source"),
    ('C', "computed from a law"),
    ('P', "common practice"),
    ('M', "a source, from memory"),
    ('H', "set by hand, a hypothesis"),
    ('D', "a definition of what is measured or flagged"),
    ('F', "what a fit looks at: changed with a refit only"),
    ('T', "a size, step or reach of a computation"),
];

/// A number of a file, and the marks beside it.
struct Number {
    name: String,
    marks: String,
}

/// What is wrong with the numbers of a file of the analysis.
pub fn untidy(is_by_hand: bool, text: &str) -> Vec<String> {
    let numbers = numbers(text);
    let odd = numbers.iter().filter_map(|Number { name, marks }| match () {
        () if marks.is_empty() => Some(format!("{name} does not say where it comes from")),
        () if !is_by_hand && marks.starts_with('H') => {
            Some(format!("{name} is set by hand: it belongs into {BY_HAND}"))
        }
        () => None,
    });
    let mut untidy: Vec<String> = odd.collect();
    if is_by_hand && numbers.len() > MOST_BY_HAND {
        untidy.push(format!("{} numbers set by hand, {MOST_BY_HAND} at most", numbers.len()));
    }
    untidy
}

/// How many numbers of files bear which mark first, and how many are set by hand: a line to read.
pub fn counted<'a>(texts: impl Iterator<Item = (bool, &'a str)>) -> String {
    let (mut by_hand, mut of_mark) = (0, [0; MARKS.len()]);
    for (is_by_hand, text) in texts {
        let all = numbers(text);
        if is_by_hand {
            by_hand = all.len();
            continue;
        }
        for number in all {
            let first = number.marks.chars().next();
            if let Some(place) = MARKS.iter().position(|(mark, _)| Some(*mark) == first) {
                of_mark[place] += 1;
            }
        }
    }
    let kinds = MARKS.iter().zip(of_mark).filter(|(_, num)| *num > 0);
    let kinds: Vec<String> = kinds.map(|((_, what), num)| format!("{num} {what}")).collect();
    format!("numbers of the analysis: {by_hand} set by hand; {}", kinds.join("; "))
}

/// The numbers of a file but for its tests'. One without words of its own belongs to the one before.
fn numbers(text: &str) -> Vec<Number> {
    let mut found = Vec::new();
    let (mut words, mut marks) = (String::new(), String::new());
    for line in text.split("#[cfg(test)]").next().unwrap_or(text).lines().map(str::trim) {
        if line.starts_with("//") {
            words.push_str(line);
            continue;
        }
        if let Some(name) = name_of_number(line) {
            let own = words.clone() + line.split_once("//").map_or("", |(_, beside)| beside);
            if !own.is_empty() {
                marks = marks_in(&own);
            }
            found.push(Number { name, marks: marks.clone() });
        } else if line.is_empty() {
            marks.clear();
        }
        if !line.starts_with("#[") {
            words.clear();
        }
    }
    found
}

/// The name of a constant that is a number, a pair or a list of numbers.
fn name_of_number(line: &str) -> Option<String> {
    let line = ["pub(crate) ", "pub(super) ", "pub "].iter().find_map(|word| line.strip_prefix(word)).unwrap_or(line);
    let (name, rest) = line.strip_prefix("const ")?.split_once(": ")?;
    let (kind, _) = rest.split_once(" =")?;
    let types: String = kind.split_once(';').map_or(kind, |(element, _)| element).replace(['(', ')', '[', ']'], "");
    let is_number = |kind: &str| ["f32", "f64", "i64", "i32", "u32", "u16", "u8", "usize"].contains(&kind.trim());
    types.split(',').all(is_number).then(|| name.to_owned())
}

/// The marks in words, in their order: `\[S\]` in public documents, `[S]` elsewhere.
fn marks_in(words: &str) -> String {
    let plain = words.replace('\\', "");
    let marked = plain.split('[').skip(1).filter_map(|after| after.split_once(']')).map(|(mark, _)| mark);
    marked.filter_map(|mark| mark.chars().next().filter(|_| mark.len() == 1)).filter(is_mark).collect()
}

fn is_mark(mark: &char) -> bool {
    MARKS.iter().any(|(known, _)| known == mark)
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "/// Step, s \\[T\\].\nconst STEP_S: f64 = 0.001;\nconst NEXT: usize = 3;\n\n/// A dip, dB.\npub const \
                        DIP: f64 = 6.0;\n/// Tuned \\[H\\].\nconst LINE: (f64, f64) = (1.0, 2.0);\nconst WORDS: &str = \"\";\n\
                        #[cfg(test)]\nmod tests { const X: f64 = 1.0; }\n";

    #[test]
    fn numbers_say_where_they_come_from_and_those_set_by_hand_stand_in_one_file() {
        let told = untidy(false, TEXT);
        assert_eq!(told.len(), 2, "{told:?}");
        assert!(told[0].starts_with("DIP does not say"), "{told:?}");
        assert!(told[1].starts_with("LINE is set by hand"), "{told:?}");
        assert_eq!(untidy(true, TEXT), ["DIP does not say where it comes from"]);
    }

    #[test]
    fn a_number_without_words_belongs_to_the_one_before() {
        let marks: Vec<String> = numbers(TEXT).into_iter().map(|number| number.name + ":" + &number.marks).collect();
        assert_eq!(marks, ["STEP_S:T", "NEXT:T", "DIP:", "LINE:H"]);
    }

    #[test]
    fn lists_of_numbers_are_numbers_and_words_are_none() {
        for line in ["const A: [f64; 5] = [1.0; 5];", "pub(super) const A: i64 = 1;", "const A: [(usize, f64); 3] = X;"]
        {
            assert_eq!(name_of_number(line).as_deref(), Some("A"), "{line}");
        }
        for line in ["const A: &str = \"\";", "const A: Path = Path::new();", "let a: f64 = 1.0;"] {
            assert_eq!(name_of_number(line), None, "{line}");
        }
    }

    #[test]
    fn more_by_hand_than_there_is_room_for_is_told() {
        let full: String =
            (0..=MOST_BY_HAND).map(|i| format!("/// Set \\[H\\].\npub const N{i}: f64 = 1.0;\n")).collect();
        assert_eq!(untidy(true, &full).len(), 1);
        let counted = counted([(true, full.as_str()), (false, TEXT)].into_iter());
        assert!(
            counted.starts_with(&format!("numbers of the analysis: {} set by hand", MOST_BY_HAND + 1)),
            "{counted}"
        );
        assert!(counted.ends_with("2 a size, step or reach of a computation"), "{counted}");
    }
}
