//! How far two judges agree who sort the same fronts: the share, and Cohen's kappa, which takes off what chance would give.

use super::{By, ByEar, Heard};

/// Half width of a 95 % interval in standard errors.
const Z_95: f64 = 1.959_964;

/// How two judges agree.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Agreement {
    /// Fronts both judged.
    pub num: usize,
    /// Share of them judged alike, 0 to 1.
    pub share: f64,
    /// Cohen's kappa (Cohen 1960, Educational and Psychological Measurement 20:37-46): 1 = always alike, 0 = as by chance;
    /// `None` where either judge said one thing throughout: it is 0 then, or chance alone explains it, whatever the other says.
    pub kappa: Option<Kappa>,
}

/// Cohen's kappa with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kappa {
    /// The value.
    pub value: f64,
    /// Standard error for many fronts (Fleiss, Cohen & Everitt 1969, Psychological Bulletin 72:323-327).
    pub error: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// How the ear and the tool agree on the fronts of a take that were heard blind; `None` where none was. Timing does not
/// count: a front heard alone has no beat.
#[must_use]
pub fn blind(by_ear: &[ByEar]) -> Option<Agreement> {
    let mut table = [[0; 2]; 2];
    for one in by_ear.iter().filter(|one| one.said.iter().any(|said| said.by == By::Blind)) {
        let (Some(heard), Some(found)) = (&one.heard, &one.found) else { continue };
        let is_flagged = found.verdict.faults.iter().any(|fault| super::is_heard(fault.name));
        table[usize::from(matches!(heard, Heard::Unclear(_)))][usize::from(is_flagged)] += 1;
    }
    of(&[&table[0], &table[1]])
}

impl Agreement {
    /// In a sentence.
    #[must_use]
    pub fn in_words(&self) -> String {
        let (alike, percent) = ((self.share * self.num as f64).round(), 100.0 * self.share);
        let kappa = match self.kappa {
            Some(k) => format!("kappa {:.2} ({:.2} to {:.2}, 95 times out of 100)", k.value, k.low, k.high),
            None => "kappa cannot be told: one answer throughout".into(),
        };
        format!("Heard blind: ear and tool agree on {alike:.0} of {} fronts ({percent:.0} %); {kappa}.", self.num)
    }
}

/// From a table of counts: a row for each answer of the first judge, a column for each of the second, square.
/// `None` for an empty one.
#[must_use]
pub fn of(table: &[&[u32]]) -> Option<Agreement> {
    let total: u32 = table.iter().flat_map(|row| row.iter()).sum();
    if total == 0 {
        return None;
    }
    let n = f64::from(total);
    let p = |i: usize, j: usize| f64::from(table[i][j]) / n;
    let k = table.len();
    let row = |i: usize| (0..k).map(|j| p(i, j)).sum::<f64>();
    let column = |j: usize| (0..k).map(|i| p(i, j)).sum::<f64>();
    let share: f64 = (0..k).map(|i| p(i, i)).sum();
    let chance: f64 = (0..k).map(|i| row(i) * column(i)).sum();
    let is_all = |margin: f64| margin > 1.0 - 1e-12;
    let says_one_thing = (0..k).any(|i| is_all(row(i)) || is_all(column(i)));
    let kappa = (!says_one_thing).then(|| {
        let value = (share - chance) / (1.0 - chance);
        let on: f64 = (0..k).map(|i| p(i, i) * (1.0 - (row(i) + column(i)) * (1.0 - value)).powi(2)).sum();
        let pairs = (0..k).flat_map(|i| (0..k).map(move |j| (i, j))).filter(|(i, j)| i != j);
        let off: f64 = pairs.map(|(i, j)| p(i, j) * (column(i) + row(j)).powi(2)).sum();
        let last = (value - chance * (1.0 - value)).powi(2);
        let variance = (on + (1.0 - value).powi(2) * off - last) / ((1.0 - chance).powi(2) * n);
        let error = variance.max(0.0).sqrt();
        Kappa { value, error, low: (value - Z_95 * error).max(-1.0), high: (value + Z_95 * error).min(1.0) }
    });
    Some(Agreement { num: total as usize, share, kappa })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kappa_is_that_of_the_worked_examples() {
        // The printout of a SAS example that statsmodels checks itself by (statsmodels/stats/tests/test_inter_rater.py,
        // UnweightedCohens): kappa, its standard error, 95 % limits, to four decimals.
        let sas = of(&[&[0, 4, 1], &[0, 8, 0], &[0, 1, 5]]).and_then(|a| a.kappa).expect("not by chance");
        for (found, printed) in [(sas.value, 0.4842), (sas.error, 0.1380), (sas.low, 0.2137), (sas.high, 0.7547)] {
            assert!((found - printed).abs() < 5e-5, "{found} is printed as {printed}");
        }
        // Fleiss, Levin & Paik, Statistical Methods for Rates and Proportions, 3rd ed. 2003, chapter 18: 100 subjects
        // sorted by two raters: 0.68 [M], to the digits printed.
        let fleiss = of(&[&[75, 1, 4], &[5, 4, 1], &[0, 0, 10]]).and_then(|a| a.kappa).expect("not by chance");
        assert!((fleiss.value - 0.68).abs() < 0.005, "{fleiss:?}");
        // Sim & Wright 2005, Physical Therapy 85:257-268: 22, 2, 4, 11 of 39 patients, 0.67 [M].
        let sim = of(&[&[22, 2], &[4, 11]]).expect("not empty");
        assert!((sim.kappa.expect("not by chance").value - 0.67).abs() < 0.005 && sim.num == 39);
    }

    #[test]
    fn answers_given_blind_are_held_against_what_was_measured() {
        use crate::corrections::{Correction, What};
        use crate::fixtures::{below, clear};
        let one = |found, heard: Heard, by| {
            let what = What::Removed; // what it says does not count here, only that it was said blind
            let said = vec![Correction { id: String::new(), made_ms: 0, by, at_s: 1.0, what }];
            ByEar { heard: Some(heard), found: Some(found), said }
        };
        let all = [
            one(below(0, 1.0), Heard::Unclear(None), By::Blind),
            one(below(0, 1.0), Heard::Fine(None), By::Blind),
            one(clear(0, 46, 1.0), Heard::Fine(None), By::Blind),
            one(clear(0, 46, 1.0), Heard::Unclear(None), By::Page),
        ];
        let told = blind(&all).expect("three were heard blind").in_words();
        // By hand: alike in 2 of 3; by chance in 2/3 x 1/3 + 1/3 x 2/3 = 4/9: kappa (6/9 - 4/9) / (5/9) = 0.4.
        assert!(told.contains("2 of 3 fronts (67 %)") && told.contains("kappa 0.40"), "{told}");
        assert_eq!(blind(&all[3..]), None);
    }

    #[test]
    fn what_chance_explains_and_one_answer_throughout_have_no_kappa() {
        assert_eq!(of(&[&[20, 0], &[0, 0]]).map(|a| (a.share, a.kappa)), Some((1.0, None)));
        // Every front clear to the ear, half of them flagged: an interval of no width would be told.
        assert_eq!(of(&[&[10, 10], &[0, 0]]).map(|a| (a.share, a.kappa)), Some((0.5, None)));
        assert_eq!(of(&[&[10, 0], &[10, 0]]).map(|a| (a.share, a.kappa)), Some((0.5, None)));
        assert_eq!(of(&[&[0, 0], &[0, 0]]), None);
        let perfect = of(&[&[10, 0], &[0, 10]]).and_then(|a| a.kappa).expect("both answers were given");
        assert!((perfect.value - 1.0).abs() < 1e-12 && perfect.error < 1e-9);
    }
}
