//! What stands around the takes: the head of the file, the bar of controls, the meaning of the numbers, the cautions.

use super::{name, register};
use crate::compare::HeardTake;
use crate::summary::Register;
use crate::words;
use maud::{Markup, PreEscaped, html};
use notefront_dsp::{Entrance, FaultName};

const STYLE: &str = include_str!("page.css");
/// What plays and slows sound, what is chosen and said, the blind sitting, and the page itself, in this order.
const SCRIPTS: [&str; 4] =
    [include_str!("sound.js"), include_str!("desk.js"), include_str!("blind.js"), include_str!("page.js")];

/// The head of the file.
pub fn head(takes: &[HeardTake]) -> Markup {
    html! {
        head {
            meta charset="utf-8";
            meta name="viewport" content="width=device-width, initial-scale=1";
            // Nothing may be fetched: the page is whole, and says nothing to anybody.
            meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:; media-src data: blob:";
            title { "Fronts of " (takes.iter().map(name).collect::<Vec<_>>().join(", ")) }
            style { (PreEscaped(STYLE)) }
        }
    }
}

/// The script, at the end of the body.
pub fn script() -> Markup {
    html! { @for source in SCRIPTS { script { (PreEscaped(source)) } } }
}

/// The title, and the bar of controls that stays in sight.
pub fn top(takes: &[HeardTake]) -> Markup {
    let names: Vec<_> = takes.iter().map(name).collect();
    let title = match names.as_slice() {
        [only] => only.clone(),
        [a, b] => format!("{a} and {b}"),
        more => format!("{} takes", more.len()),
    };
    let is_flagged = takes.iter().flat_map(|t| &t.take.entrances).any(Entrance::is_flagged);
    html! {
        header {
            p.brand { "Notefront: how every note began" }
            h1 { (title) }
            p.remark { (words::CAUTIONS) " " a href="#care" { "More of it" } }
        }
        @if is_flagged { (bar(takes)) }
        @else { form.bar aria-label="Controls" { span #shown role="status" {} button #save type="button" { "Save the page" } } }
    }
}

fn bar(takes: &[HeardTake]) -> Markup {
    let flagged: Vec<_> = takes.iter().flat_map(|t| &t.take.entrances).filter(|e| e.is_flagged()).collect();
    let registers = Register::ALL.into_iter().filter(|r| flagged.iter().any(|e| register(e) == Some(*r)));
    let faults = FaultName::ALL.into_iter().filter(|f| flagged.iter().any(|e| e.verdict.faults.get(*f).is_some()));
    html! {
        form.bar aria-label="Controls" {
            label { "Fault " select #by-fault { option value="" { "all" } @for f in faults { option value=(f.as_str()) { (words::word(f)) } } } }
            label { "Register " select #by-register { option value="" { "all" } @for r in registers { option value=(r.as_str()) { (r.as_str()) } } } }
            label { "Order " select #order { option value="worst" { "worst first" } option value="time" { "as played" } } }
            span #shown role="status" {}
            button #save type="button" { "Save the page" }
            label.keys { input #keys type="checkbox" checked; " Keys: " kbd { "\u{2190}" } " " kbd { "\u{2192}" } " note by note, " kbd { "j" } " next unclear, " kbd { "k" } " back, " kbd { "p" } " play, " kbd { "l" } " loop, " kbd { "s" } " speed, " kbd { "x" } " A or B, " kbd { "n" } " note, " kbd { "Esc" } " leave it" }
        }
        noscript { p.remark { "Filters, keys, sound and corrections need JavaScript, which is switched off here; the preview of a mail is often such a place. Open the page in a browser for them." } }
    }
}

/// What the numbers mean.
pub fn meaning() -> Markup {
    html! {
        section.prose aria-labelledby="meaning" {
            details { summary { h2 #meaning { "What the numbers mean" } }
            dl {
                dt { "clarity" } dd { "0 to 100. 100 is a front with nothing to say about it; the worst fault dominates. It describes this one front, not the player." }
                dt { "air first" } dd { "breath that sounds before the tone, in milliseconds, and how far its level lies under the settled tone." }
                dt { "leaned" } dd { "how far the pitch lay from where it settled while the note spoke: the mean to 100 ms after, weighted by loudness, in cents (hundredths of a semitone). Minus is below. This is what tells a lean, not the first instant." }
                dt { "in at" } dd { "the first pitch that can be measured, from the pitch the note settled on. Clear fronts are 20 cents sharp there as a rule, one in ten over 80: the lips are alone until the horn answers. Told, never judged." }
                dt { "spoke in" } dd { "from the first sound of the tone until it speaks, 12 dB under its attack’s peak." }
                dt { "burst" } dd { "how far the attack lies over the tone it drops to. A note that is short or rings away has none to compare with." }
                dt { "settled after" } dd { "how long it took until the pitch stayed within 10 cents of where it settled. Ten cents is about what listeners just hear as out of tune." }
                dt { "clear fronts" } dd { "the shaded corridor in a close-up: where 95 of 100 fronts of orchestra trombonists lie, of the same register and out of a gap or connected as this one. A front may begin far off its pitch; within about 60 ms it is home." }
                dt { "grew in" } dd { "from 20 % to 90 % of the attack's peak. Low notes need longer: the bore cannot speak sooner." }
                dt { "off the beat" } dd { "where the tone speaks, against the nearest beat or subdivision. Plus is late." }
                dt { "±" } dd { "the figure lies within this of the number in about 9 of 10 cases. \u{201c}Cannot tell\u{201d} is an answer too." }
                dt { "sure, likely, uncertain" } dd { "how certain it is that the front lies beyond the line and not just at it." }
            }
            p { "Every sound on this page is brought to one loudness, so that a louder recording does not seem the better one. What players usually try is practice of the trade, not a prescription: your teacher's ear outranks this page." }
            }
        }
    }
}

/// The cautions.
pub fn cautions() -> Markup {
    html! {
        section.prose.care aria-labelledby="care" {
            h2 #care { "Take care of yourself" }
            ul {
                li { b { "Hearing. " } "A trombone in a small room is loud enough to harm it. Wear protection, mind how long and how loud you play, and listen back at a moderate level." }
                li { b { "Rest. " } "Rest as much as you play, and keep sessions short. A tired lip gives unclear fronts, and more practice does not mend them that day." }
                li { b { "Stop when something hurts: " } "lips, jaw, hands, shoulders or back. Do not play through pain." }
                li { b { "Ask. " } "If pain, numbness or ringing in the ears stays, see a doctor, an audiologist or a physiotherapist, best one who knows musicians. No score is worth an injury, and no page replaces a teacher." }
            }
        }
    }
}
