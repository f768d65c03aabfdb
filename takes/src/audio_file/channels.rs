//! From several channels to the one that is analysed: which are alive, how they are mixed, what is odd about them.

/// Peak (1 = full scale) above which a channel counts as alive: -60 dB. An open input of a sound card
/// idles below it, the softest take worth judging peaks above it \[P\].
const ALIVE_PEAK: f32 = 1e-3;
/// A channel this far under the loudest one (factor on the peak, -50 dB) carries no part of the take \[P\].
const DEAD_RATIO: f32 = 0.003;
/// Channels without anything in common leave 1/n of their mean power in the mix of n \[C\]. Less than this
/// share of that (-7 dB) means that they cancel \[P\].
const CANCELLING_SHARE: f64 = 0.2;

/// Which channel of a take is analysed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ChannelChoice {
    /// The mean of all that are alive.
    #[default]
    Mix,
    /// One, counted from 1.
    One(usize),
}

/// Peaks of the channels, to tell the dead ones from the living.
pub struct Survey {
    peaks: Vec<f32>,
}

impl Survey {
    /// Nothing heard yet.
    pub fn new(num_channels: usize) -> Self {
        Self { peaks: vec![0.0; num_channels] }
    }

    /// Hears the next interleaved frames.
    pub fn push(&mut self, interleaved: &[f32]) {
        for frame in interleaved.chunks_exact(self.peaks.len()) {
            for (peak, sample) in self.peaks.iter_mut().zip(frame) {
                // `max` ignores NaN.
                *peak = peak.max(sample.abs());
            }
        }
    }

    /// Every channel has been heard: no need to listen on.
    pub fn all_alive(&self) -> bool {
        self.peaks.iter().all(|&peak| peak >= ALIVE_PEAK)
    }

    /// For every channel whether it carries the take. When all are silent, all count as alive.
    pub fn alive(&self) -> Vec<bool> {
        let loudest = self.peaks.iter().copied().fold(0.0, f32::max);
        let is_dead = |peak: f32| peak < ALIVE_PEAK && peak < loudest * DEAD_RATIO;
        self.peaks.iter().map(|&peak| !is_dead(peak)).collect()
    }
}

/// Mixes the living channels, or takes one out.
pub struct Mixer {
    num_channels: usize,
    /// Channels that go into the mean, from 0.
    used: Vec<usize>,
    mix_power: f64,
    /// Mean over the used channels.
    channel_power: f64,
}

impl Mixer {
    /// A mixer of `alive` channels, or of the one chosen (which must exist).
    pub fn new(choice: ChannelChoice, alive: &[bool]) -> Self {
        let used = match choice {
            ChannelChoice::One(n) => vec![n - 1],
            ChannelChoice::Mix => (0..alive.len()).filter(|&i| alive[i]).collect(),
        };
        Self { num_channels: alive.len(), used, mix_power: 0.0, channel_power: 0.0 }
    }

    /// The channels used, from 0.
    pub fn used(&self) -> &[usize] {
        &self.used
    }

    /// Puts the mean of the used channels of each frame into `mono`.
    pub fn mix(&mut self, interleaved: &[f32], mono: &mut Vec<f32>) {
        let gain = 1.0 / self.used.len() as f32;
        mono.clear();
        mono.reserve(interleaved.len() / self.num_channels);
        for frame in interleaved.chunks_exact(self.num_channels) {
            let mut sum = 0.0;
            let mut power = 0.0;
            for &i in &self.used {
                sum += frame[i];
                power += f64::from(frame[i]).powi(2);
            }
            let mean = sum * gain;
            if power.is_finite() {
                self.mix_power += f64::from(mean).powi(2);
                self.channel_power += power * f64::from(gain);
            }
            mono.push(mean);
        }
    }

    /// True when the channels cancel each other in the mix: one was wired or recorded upside down.
    pub fn is_cancelling(&self) -> bool {
        self.used.len() > 1 && self.mix_power < CANCELLING_SHARE * self.channel_power / self.used.len() as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn survey(frames: &[[f32; 2]]) -> Vec<bool> {
        let mut survey = Survey::new(2);
        survey.push(frames.as_flattened());
        survey.alive()
    }

    #[test]
    fn a_silent_channel_beside_a_sounding_one_is_dead() {
        assert_eq!(survey(&[[0.5, 0.0], [-0.4, 0.0]]), [true, false]);
    }

    #[test]
    fn the_hiss_of_an_open_input_is_dead_too() {
        // -80 dB beside -6 dB.
        assert_eq!(survey(&[[0.0001, 0.5], [-0.0001, -0.5]]), [false, true]);
    }

    #[test]
    fn two_soft_channels_are_alive() {
        assert_eq!(survey(&[[0.0005, 0.0004]]), [true, true]);
        assert_eq!(survey(&[[0.0, 0.0]]), [true, true]);
    }

    #[test]
    fn a_dead_channel_does_not_halve_the_level() {
        let mut mono = Vec::new();
        Mixer::new(ChannelChoice::Mix, &[true, false]).mix(&[0.5, 0.0, -0.5, 0.0], &mut mono);
        assert_eq!(mono, [0.5, -0.5]);
    }

    #[test]
    fn a_channel_is_chosen_by_its_number() {
        let mut mono = Vec::new();
        Mixer::new(ChannelChoice::One(2), &[true, true]).mix(&[0.5, 0.1, 0.5, 0.2], &mut mono);
        assert_eq!(mono, [0.1, 0.2]);
    }

    #[test]
    fn channels_upside_down_are_noticed_and_others_are_not() {
        let mut mono = Vec::new();
        let cancels = |frames: &[[f32; 2]], mono: &mut Vec<f32>| {
            let mut mixer = Mixer::new(ChannelChoice::Mix, &[true, true]);
            mixer.mix(frames.as_flattened(), mono);
            mixer.is_cancelling()
        };
        assert!(cancels(&[[0.5, -0.5], [-0.3, 0.31]], &mut mono));
        assert!(!cancels(&[[0.5, 0.5], [-0.3, -0.3]], &mut mono));
        // Nothing in common: a sound in one channel, then in the other.
        assert!(!cancels(&[[0.5, 0.0], [0.0, 0.5]], &mut mono));
        assert!(!cancels(&[[0.0, 0.0]], &mut mono));
    }
}
