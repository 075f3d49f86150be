//! What goes wrong as it stands at a moment: how much resistance each episode adds, and where.
//!
//! In: the scenario's episodes, time and the volume that passed the filter. Out: added resistances, and for each
//! episode the [`Stretch`]es in which the flow was hindered, which become the truth file.

use super::blocking::Loaded;
use super::network::CLOSED;
use super::noise::{Purpose, Wander, exponential, stream};
use super::scenario::{Blocking, Cause, Episode, Place, Scenario};
use rand_chacha::ChaCha8Rng;

/// A gradual obstruction counts from this multiple of the resistance below the pump: the contract's definition.
pub(super) const ONSET_RATIO: f64 = 1.5;

/// From this multiple on the growth counts as felt, for what the record can tell.
const FELT_RATIO: f64 = 1.15;

/// The memory of uneven loading, in multiples of the volume in which the filter would load to about twice.
const LOADING_MEMORY: f64 = 0.1;

/// The memory of narrowing in fits and starts, s.
const NARROWING_MEMORY_S: f64 = 1800.0;

/// One stretch in which the flow was hindered: an episode of the truth file.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Stretch {
    /// When its cause began, s.
    pub began_s: f64,
    /// Onset as the contract defines it, s.
    pub onset_s: Option<f64>,
    /// From when on it could be felt (a gradual one at 1.15 times), s.
    pub felt_s: Option<f64>,
    /// Relief, s.
    pub end_s: Option<f64>,
    /// The first occlusion alarm that it led to, s.
    pub alarm_s: Option<f64>,
    /// Another alarm of the pump that it led to (empty container), s.
    pub other_alarm_s: Option<f64>,
    /// Greatest resistance below the pump over its baseline.
    pub peak_ratio: f64,
    /// Greatest departure of a running channel's pressure from what it would have been without, mmHg.
    pub effect_mmhg: f64,
    /// Volume held above the block when it was relieved, mL.
    pub held_ml: Option<f64>,
    /// How often it came.
    pub times: u32,
    /// `(t_s, ratio)` once a minute, of a gradual one.
    pub course: Vec<(f64, f64)>,
}

impl Stretch {
    /// Resistance below the pump over its baseline at a moment.
    pub fn ratio_at(&self, t_s: f64) -> f64 {
        let after = self.course.partition_point(|&(t, _)| t <= t_s);
        let last = after.checked_sub(1).and_then(|i| self.course.get(i));
        last.map_or(1.0, |&(_, ratio)| ratio)
    }
}

/// One episode as it runs.
#[derive(Debug, Clone)]
pub(super) struct Running<'a> {
    pub episode: &'a Episode,
    /// Between its beginning and its end.
    pub active: bool,
    /// How many of its answers were given.
    pub answered: usize,
    /// Finished stretches, and the one under way (last) while active.
    pub stretches: Vec<Stretch>,
    /// Whether a positional one is there now.
    pub there: bool,
    /// Random moments of a positional one.
    pub moves: ChaCha8Rng,
    began_s: f64,
    loaded: Loaded,
    loading_until_s: f64,
    settling_left: f64,
    settling_ml: f64,
    narrowing: f64,
    wander: Wander,
}

impl<'a> Running<'a> {
    pub fn new(episode: &'a Episode, index: usize, seed: u64) -> Self {
        let memory = match &episode.cause {
            Cause::FilterLoading { blocking, .. }
            | Cause::FilterSettling { blocking, .. }
            | Cause::FilterPrecipitate { blocking, .. } => {
                LOADING_MEMORY / per_ml(blocking).max(1e-6)
            }
            _ => NARROWING_MEMORY_S,
        };
        Self {
            episode,
            active: false,
            answered: 0,
            stretches: Vec::new(),
            there: false,
            moves: stream(seed, Purpose::Moves, index),
            began_s: episode.at_h * 3600.0,
            loaded: Loaded::clean(),
            loading_until_s: f64::INFINITY,
            settling_left: 0.0,
            settling_ml: 0.0,
            narrowing: 0.0,
            wander: Wander::new(stream(seed, Purpose::Episode, index), memory),
        }
    }

    /// It begins.
    pub fn begin(&mut self, t_s: f64) {
        self.active = true;
        self.there = true;
        self.began_s = t_s;
        if let Cause::FilterPrecipitate {
            loads_for_min: Some(minutes),
            ..
        } = self.episode.cause
        {
            self.loading_until_s = t_s + 60.0 * minutes;
        }
        self.open_stretch(t_s);
    }

    fn open_stretch(&mut self, t_s: f64) {
        let at_once = !self.episode.cause.is_gradual();
        self.stretches.push(Stretch {
            began_s: t_s,
            onset_s: at_once.then_some(t_s),
            felt_s: at_once.then_some(t_s),
            peak_ratio: 1.0,
            times: 1,
            ..Stretch::default()
        });
    }

    /// Whether it adds resistance below the pump.
    pub fn obstructs(&self) -> bool {
        ["tubing", "filter", "catheter"].contains(&self.episode.cause.words().0)
    }

    /// When it began, s.
    pub fn began_s(&self) -> f64 {
        self.began_s
    }

    /// It ends, with so much volume held above it.
    pub fn end(&mut self, t_s: f64, held_ml: f64) {
        self.close_stretch(t_s, held_ml);
        self.active = false;
        self.there = false;
    }

    fn close_stretch(&mut self, t_s: f64, held_ml: f64) {
        let there = self.there;
        if let Some(last) = self.stretches.last_mut()
            && self.active
            && last.end_s.is_none()
        {
            last.end_s = Some(t_s);
            last.held_ml = there.then_some(held_ml);
        }
    }

    /// A positional one comes or goes; gives the seconds until it changes again.
    pub fn flip(&mut self, t_s: f64, held_ml: f64) -> f64 {
        let Cause::CatheterPositional {
            on_min, off_min, ..
        } = self.episode.cause
        else {
            return f64::INFINITY;
        };
        self.there = !self.there;
        if let Some(last) = self.stretches.last_mut() {
            if self.there {
                last.times += 1;
                last.end_s = None;
            } else {
                // it may come again; if it does not, this was the end
                last.end_s = Some(t_s);
                last.held_ml = Some(held_ml);
            }
        }
        self.stay_s(if self.there { on_min } else { off_min })
    }

    /// A random stay about a usual number of minutes, s; never so short that it is no stay.
    pub fn stay_s(&mut self, usual_min: f64) -> f64 {
        60.0 * (0.4 * usual_min + exponential(&mut self.moves, 0.6 * usual_min))
    }

    /// The filter is new. Gives whether that took something away.
    pub fn new_filter(&mut self, t_s: f64, held_ml: f64) {
        if !self.active || !self.episode.cause.is_filter() {
            return;
        }
        self.loaded = Loaded::clean();
        self.settling_left = 0.0;
        let again = matches!(
            self.episode.cause,
            Cause::FilterLoading {
                loads_again: true,
                ..
            } | Cause::FilterSettling { .. }
        );
        if again {
            self.eased(t_s, held_ml, 1.0);
        } else {
            self.end(t_s, held_ml);
        }
    }

    /// A flush takes a share of the narrowing away; `ratio_after` works out the new ratio from the added resistance.
    pub fn flush(
        &mut self,
        t_s: f64,
        share: f64,
        held_ml: f64,
        ratio_after: impl Fn(&Self) -> f64,
    ) {
        if self.active && matches!(self.episode.cause, Cause::CatheterNarrowing { .. }) {
            self.narrowing *= 1.0 - share;
            let ratio = ratio_after(self);
            self.eased(t_s, held_ml, ratio);
        }
    }

    /// After an intervention the ratio is this: below the onset's ratio, what was an episode has ended and may come again.
    fn eased(&mut self, t_s: f64, held_ml: f64, ratio: f64) {
        let was_one = self
            .stretches
            .last()
            .is_some_and(|s| s.onset_s.is_some() || s.alarm_s.is_some());
        if was_one && ratio < ONSET_RATIO {
            self.close_stretch(t_s, held_ml);
            self.open_stretch(t_s);
        }
    }

    /// A pause of the filter's flow has ended after so many minutes.
    pub fn settled(&mut self, minutes: f64) {
        if let Cause::FilterSettling {
            per_pause_hour,
            least_pause_min,
            over_ml,
            ..
        } = self.episode.cause
            && self.active
            && least_pause_min <= minutes
        {
            self.settling_left += per_pause_hour * minutes / 60.0;
            self.settling_ml = over_ml;
        }
    }

    /// Lets time and volume pass.
    pub fn pass(&mut self, t_s: f64, dt_s: f64, filtered_ml: f64, still: bool) {
        if !self.active {
            return;
        }
        match &self.episode.cause {
            Cause::FilterLoading {
                blocking,
                unevenness,
                ..
            } => {
                let by = self.wander.factor(filtered_ml, *unevenness);
                self.loaded.pass(blocking, filtered_ml * by);
            }
            Cause::FilterPrecipitate {
                blocking,
                unevenness,
                ..
            } if t_s < self.loading_until_s => {
                let by = self.wander.factor(filtered_ml, *unevenness);
                self.loaded.pass(blocking, filtered_ml * by);
            }
            Cause::FilterSettling {
                blocking,
                unevenness,
                ..
            } => {
                let by = self.wander.factor(filtered_ml, *unevenness);
                self.loaded.pass(blocking, filtered_ml * by);
                if 0.0 < self.settling_left && 0.0 < filtered_ml {
                    // two thirds of what is left within `over_ml`, the rest tailing off
                    let now = self.settling_left * (1.0 - (-filtered_ml / self.settling_ml).exp());
                    self.loaded.seal(now);
                    self.settling_left -= now;
                }
            }
            Cause::CatheterNarrowing {
                over_h,
                unevenness,
                pause_speed,
                ..
            } => {
                let speed = if still { *pause_speed } else { 1.0 };
                let by = self.wander.factor(dt_s, *unevenness);
                self.narrowing += dt_s / 3600.0 / over_h * by * speed;
            }
            _ => {}
        }
    }

    /// Resistance that it adds now, mmHg·h/mL, to a clean filter and a catheter of these resistances.
    pub fn adds(&self, filter: f64, catheter: f64) -> f64 {
        if !self.active {
            return 0.0;
        }
        match &self.episode.cause {
            Cause::FilterLoading { ceiling, .. } => {
                let over = self.loaded.factor() - 1.0;
                match ceiling {
                    Some(most) if 1.0 < *most => filter * over / (1.0 + over / (most - 1.0)),
                    Some(_) => 0.0,
                    None => filter * over,
                }
            }
            Cause::FilterSettling { .. } | Cause::FilterPrecipitate { .. } => {
                filter * (self.loaded.factor() - 1.0)
            }
            Cause::CatheterNarrowing { reaches, shape, .. } => {
                let narrowed = self.narrowing.powf(*shape) * (1.0 - reaches.powf(-0.25));
                catheter * ((1.0 - narrowed.min(0.97)).powi(-4) - 1.0)
            }
            Cause::TubingBlocked {
                resistance_mmhg_h_per_ml: r,
                ..
            }
            | Cause::CatheterBlocked {
                resistance_mmhg_h_per_ml: r,
                ..
            }
            | Cause::CatheterPositional {
                resistance_mmhg_h_per_ml: r,
                ..
            } if self.there => r.unwrap_or(CLOSED),
            _ => 0.0,
        }
    }

    /// The stretch that the record's end cuts off.
    pub fn unfinished(&mut self) -> Option<&mut Stretch> {
        let there = self.active && self.there;
        self.stretches
            .last_mut()
            .filter(|s| there && s.end_s.is_none())
    }

    /// Notes the ratio at a moment.
    pub fn note_ratio(&mut self, t_s: f64, ratio: f64) {
        let Some(last) = self.stretches.last_mut().filter(|_| self.active) else {
            return;
        };
        last.peak_ratio = last.peak_ratio.max(ratio);
        let minute = last.course.last().is_none_or(|&(t, _)| t + 60.0 <= t_s);
        if minute && self.episode.cause.is_gradual() {
            last.course.push((t_s, ratio));
        }
        if last.felt_s.is_none() && FELT_RATIO <= ratio {
            last.felt_s = Some(t_s);
        }
        if last.onset_s.is_none() && ONSET_RATIO <= ratio {
            last.onset_s = Some(t_s);
        }
    }

    /// Notes how far it moved the pressure of a running channel.
    pub fn note_effect(&mut self, mmhg: f64) {
        if let Some(last) = self.stretches.last_mut().filter(|_| self.active) {
            last.effect_mmhg = last.effect_mmhg.max(mmhg);
        }
    }

    /// Where an added resistance lies.
    pub fn place(&self) -> Place {
        match self.episode.cause {
            Cause::TubingBlocked { place, .. } | Cause::CatheterBlocked { place, .. } => place,
            Cause::CatheterPositional { .. } | Cause::CatheterNarrowing { .. } => Place::Far,
            _ => Place::Near,
        }
    }

    /// Whether it concerns the pressure of this channel.
    pub fn concerns(&self, scenario: &Scenario, channel: usize) -> bool {
        let named = self.episode.channel.as_deref();
        let filter_here = scenario.line.filter.channel.as_deref();
        let here = Some(scenario.channels[channel].id.as_str());
        if self.episode.cause.is_filter()
            && scenario.line.filter.position == super::Position::AboveJoin
        {
            return filter_here == here;
        }
        named.is_none() || named == here
    }
}

/// About how fast a filter loads per mL.
fn per_ml(b: &Blocking) -> f64 {
    b.complete_per_ml + b.standard_per_ml + b.intermediate_per_ml + b.cake_per_ml
}
