//! What a pass says at one look, before anything is chosen: how many are unclear, which three to listen to first, and
//! what the unclear ones have in common.

use crate::passes::Pass;
use crate::patterns::{Facet, Row, sections};
use notefront_dsp::{Entrance, FaultName};
use notefront_takes::summary::Summary;
use notefront_takes::table::first_to_listen_to;
use notefront_takes::words::counted_with_those_by_ear;
use statrs::distribution::{DiscreteCDF, Hypergeometric};

/// What is shared by chance alone is not told: chance of such a share, over all kinds looked at together \[P\].
const LEAST_CHANCE: f64 = 0.05;
/// Fewest unclear entrances that can have something in common.
const LEAST_ALIKE: usize = 3;

/// The pass at one look.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Overview {
    /// Entrances in all.
    pub num: usize,
    /// Entrances with a fault that is shown.
    pub num_flagged: usize,
    /// Places of the ones to listen to: the least clear of those that are surely so, then of the others.
    pub worst: Vec<usize>,
    /// Which faults, how often, the most frequent first: "from below 5, air first 2".
    pub faults: String,
    /// What the unclear ones share beyond chance, in words.
    pub shared: Option<String>,
}

impl Overview {
    /// Looks at a pass; only faults that `is_shown` count.
    #[must_use]
    pub fn of(pass: &Pass, is_shown: impl Fn(FaultName) -> bool + Copy) -> Self {
        let is_flagged = |e: &&Entrance| e.verdict.faults.iter().any(|f| is_shown(f.name));
        let num_by_ear = pass.num_unclear_by_ear();
        let mut faults = Summary::of(&pass.entrances).most_frequent_faults();
        faults.retain(|(name, _)| is_shown(*name));
        Self {
            num: pass.entrances.len(),
            num_flagged: pass.entrances.iter().filter(is_flagged).count() + num_by_ear,
            worst: first_to_listen_to(&pass.entrances, is_shown),
            faults: counted_with_those_by_ear(&faults, num_by_ear),
            shared: shared(pass, is_shown),
        }
    }

    /// The first line.
    #[must_use]
    pub fn headline(&self) -> String {
        match (self.num, self.num_flagged) {
            (0, _) => "No entrance yet".into(),
            (1, 0) => "The one entrance is clear".into(),
            (num, 0) => format!("All {num} entrances are clear"),
            (num, flagged) => format!("{flagged} of {num} entrances are unclear"),
        }
    }
}

/// The kind of entrances in which unclear ones stand most beyond chance.
fn shared(pass: &Pass, is_shown: impl Fn(FaultName) -> bool + Copy) -> Option<String> {
    let kinds: Vec<Row> = sections(&[pass], is_shown).into_iter().flat_map(|(_, rows)| rows).collect();
    let (num, num_flagged) =
        (pass.entrances.len(), kinds.iter().map(|r| r.num_flagged).sum::<usize>() / Facet::ALL.len());
    let told = kinds.iter().filter(|row| row.share.is_some() && row.num_flagged >= LEAST_ALIKE && row.num < num);
    let with_chance = told.map(|row| (row, chance(num, num_flagged, row)));
    let (row, chance) = with_chance.min_by(|a, b| a.1.total_cmp(&b.1))?;
    let (elsewhere, others) = (num_flagged - row.num_flagged, num - row.num);
    (chance * (kinds.len() as f64) < LEAST_CHANCE).then(|| {
        format!(
            "Most at {}: {} of {} unclear there, {elsewhere} of {others} elsewhere.",
            row.label, row.num_flagged, row.num
        )
    })
}

/// Chance that so many or more of the unclear ones fall into this kind if they fell anywhere alike (Fisher's exact test,
/// one side).
fn chance(num: usize, num_flagged: usize, row: &Row) -> f64 {
    let drawn = Hypergeometric::new(num as u64, num_flagged as u64, row.num as u64);
    drawn.map_or(1.0, |h| (row.num_flagged as u64).checked_sub(1).map_or(1.0, |less| h.sf(less)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    #[test]
    fn the_least_clear_come_first_and_hidden_faults_do_not_count() {
        let pass = fixture::mixed_pass(60, 3);
        let all = Overview::of(&pass, |_| true);
        assert_eq!((all.num, all.num_flagged), (60, pass.num_flagged()));
        let clarity: Vec<f64> = all.worst.iter().map(|i| pass.entrances[*i].verdict.clarity).collect();
        assert_eq!(clarity.len(), 3);
        assert!(clarity.is_sorted());
        let none = Overview::of(&pass, |_| false);
        assert_eq!(
            (none.num_flagged, none.worst.len(), none.headline().as_str()),
            (0, 0, "All 60 entrances are clear")
        );
    }

    /// Fisher's tea-tasting table, 3 of 4 right of 8 cups: one-sided 17/70 = 0.2429 (Fisher 1935, The Design of
    /// Experiments \[M\]).
    #[test]
    fn chance_is_that_of_fishers_exact_test() {
        let row = Row { label: String::new(), num: 4, num_flagged: 3, share: None, most: None, num_by_ear: 0 };
        assert!((chance(8, 4, &row) - 17.0 / 70.0).abs() < 1e-9);
    }

    #[test]
    fn what_is_shared_is_told_where_it_stands_out_and_not_in_a_mixture() {
        let clear = |i: usize, midi: u8| fixture::clear(i, 0.5 + i as f64, midi);
        let mut pass = fixture::pass_at_60(&[1.0]);
        pass.entrances = (0..24).map(|i| clear(i, if i % 4 == 0 { 65 } else { 50 })).collect();
        for i in (0..24).step_by(4).take(5) {
            pass.entrances[i] = fixture::with_fault(pass.entrances[i], FaultName::Split, 0.7);
        }
        let told = Overview::of(&pass, |_| true).shared.expect("five of six high notes split");
        assert!(told.contains("5 of 6") && told.contains("0 of 18 elsewhere"), "{told}");
        let mixed = fixture::mixed_pass(60, 3);
        assert_eq!(Overview::of(&mixed, |_| true).shared, None);
    }
}
