package rules

import (
	"math"
	"time"

	"standwatch/rules/physics"
)

// What a pull is judged by for the volume that it draws on.
const (
	torrPa       = 101325.0 / 760
	pullFromPa   = 100 * torrPa     // (the field guide)
	pullToPa     = 25 * torrPa      // below it water may boil (the field guide)
	pullWidePa   = 300 * torrPa     // where too few readings lie between: further up a hose's flow is no longer smooth (from memory)
	pullLeaves   = 20 * time.Second // the first seconds are left out (the field guide)
	pullTell     = 0.76             // of the take-off's volume (the field guide)
	pullWake     = 0.5              // (the field guide)
	pullAgrees   = 0.9              // pulls of the same rig agree within 10 % (the field guide)
	pullGauge    = 0.7              // what a gauge alone must show: it is crooked by a tenth toward its top (from memory)
	pullSurely   = 1.645            // standard errors: 95 of 100, one-sided
	pullFine     = 0.05             // a doubt that needs no wider stretch of readings
	pullDoubtful = 0.15             // a larger one compares nothing
	pullRepeats  = 0.03             // a pump warms, valves are opened a little differently: our choice
	knownTo      = 0.10             // pump speed and volume, where given (the issue's own figure)
	rigM3PerS    = 10 * 0.47194745e-3
	rigMostM3S   = 2 * rigM3PerS    // no pump that one carries is as fast: 20 cfm, 9.4 l/s (from memory)
	unitM3       = 0.002            // an indoor unit's coil: 1 to 3 l (from memory)
	unitDoubtM3  = 0.0006           // the spread of an even chance between them
	noisePa      = 100.0            // an absolute transducer's (the field guide: 0.1 kPa)
	zeroOffPa    = 300.0            // and its zero: 0.15 % of 200 kPa (from memory)
	zeroMostPa   = 1200.0           // more is no zero: then the gauge is wrong
	stepGain     = 10.0             // by so much chi-square must a bend be better than a smooth curve (as the field guide decides between models)
	stepLeast    = 5                // readings before and after a step
	stepFromPa   = 60e3             // below it the pump draws, and what was vented after a break is over, on a mountain too
	stepMost     = 0.15             // a pump that began to draw, or a valve opened, looks like more
	pullStands   = 30 * time.Second // a pull falls by more than a few hundredths meanwhile
	samplesMost  = 2048
)

// bores are the hoses of the trade (3/16 to 3/4 in), and none: where the site
// names none, the pull's own bend says which of them it was.
var bores = []float64{4.8e-3, 6.4e-3, 8e-3, 9.5e-3, 13e-3, 19e-3, 0.1}

// volume judges what volume each pull draws on.
type volume struct {
	fall, gaugeFall pullDown
	rig             rig
	wholeM3         float64 // of the pipework; 0: not known
	wholeDoubt      float64 // a share of it
	guessed         int     // units whose coils are not given
	yardLn, yardW   float64 // ln of earlier pulls' time from 100 to 25 torr, by weight
	this            drawn   // of this pull
	judged          bool    // this pull was
	compared        bool    // and held against a volume or an earlier pull
	fast            bool    // the flag is up
	zeroPa          float64 // of the transducer, seen while the gauge read a deep vacuum
	zeroN           int
}

func beginVolume(s Start) volume {
	v := volume{wholeM3: s.PipeM3 + s.CoilsM3, wholeDoubt: knownTo}
	if s.PipeM3 <= 0 {
		v.wholeM3 = 0
	} else if s.CoilsM3 <= 0 && len(s.Units) > 0 {
		n := float64(len(s.Units))
		v.guessed = len(s.Units)
		v.wholeM3 += float64(unitM3 * n)
		v.wholeDoubt = hypot(knownTo, float64(unitDoubtM3*n)/v.wholeM3)
	}
	pump, _ := limit(s.Step, "pump")
	bore, _ := limit(s.Step, "hose-bore")
	length, _ := limit(s.Step, "hose-length")
	v.rig = rig{pump.Value, physics.Hose{BoreM: bore.Value, LengthM: length.Value}, bore.Given}
	v.fall = pullDown{fromPa: pullFromPa, toPa: pullToPa, widePa: pullWidePa}
	v.gaugeFall = pullDown{fromPa: 0.9 * gaugeTopPa, toPa: 0.1 * gaugeTopPa, widePa: 0.9 * gaugeTopPa, gauge: true}
	for _, f := range s.Earlier { // the same rig pulled before
		for _, x := range f.Values {
			if f.Step == "evacuation" && x.Key == "fall_100_to_25_torr_s" && x.Number > 0 {
				v.yard(math.Log(x.Number), pullFine)
			}
		}
	}
	return v
}

func (v *volume) yard(ln, doubt float64) {
	w := 1 / (float64(doubt*doubt) + float64(pullRepeats*pullRepeats))
	v.yardLn = (float64(v.yardLn*v.yardW) + float64(ln*w)) / (v.yardW + w)
	v.yardW += w
}

// stop ends what can be told of a fall: the pump stopped, or nobody knows how long the box was away.
func (v *volume) stop() {
	v.fall.restart()
	v.gaugeFall.restart()
}

// keep makes this pull a yardstick.
func (v *volume) keep() {
	if v.judged && !v.fast && v.this.fallDoubt <= pullDoubtful {
		v.yard(math.Log(v.this.fallS), v.this.fallDoubt)
	}
	v.judged = false
}

// next ends a pull.
func (v *volume) next() {
	v.keep()
	v.fast = false
	v.stop()
}

// fell reports whether the pressure fell through all of the stretch.
func (v *volume) fell() bool { return v.fall.done }

// warmest keeps the stretch above the pressure at which water boils in the warmest pipe.
func (v *volume) warmest(_, c float64) {
	v.fall.toPa = pullToPa
	if pa := 1.3 * vapourPa(c+1); pa > pullToPa {
		v.fall.toPa = min(pa, 0.6*pullFromPa)
	}
}

// read takes a reading of the absolute transducer.
func (v *volume) read(s sample) *Finding {
	if !v.fall.add(s) {
		return nil
	}
	return v.look()
}

// zero learns what the transducer shows in a deep vacuum, and looks again at this pull's fall.
func (v *volume) zero(abs, gauge sample, deep bool) *Finding {
	if !deep || gauge.v > 200 || math.Abs(abs.v) > zeroMostPa || abs.t-gauge.t > minute || v.zeroN >= 60 || !v.fall.done {
		return nil
	}
	v.zeroN++
	v.zeroPa += (abs.v - gauge.v - v.zeroPa) / float64(v.zeroN)
	if v.zeroN != 10 || !v.judged {
		return nil
	}
	return v.look()
}

func (v *volume) look() *Finding {
	zeroPa, doubtPa := 0.0, zeroOffPa
	if v.zeroN >= 10 {
		zeroPa, doubtPa = v.zeroPa, noisePa/2
	}
	d := v.fall.judge(v.rig, zeroPa, doubtPa)
	v.this, v.judged = d, true
	worst := opinion{urgency: Note, ratio: math.Inf(1)}
	for _, o := range []opinion{v.byTakeOff(d), v.byEarlier(d), v.byStep(d), v.byPump(d)} {
		if o.urgency > worst.urgency || o.urgency == worst.urgency && o.ratio < worst.ratio {
			worst = o
		}
	}
	return v.say(worst)
}

// say raises the flag, or takes back what better knowledge does not bear out.
func (v *volume) say(o opinion) *Finding {
	if o.urgency == Note {
		if !v.fast {
			return nil
		}
		v.fast = false
		return &Finding{Edge: Cleared, Flag: "pulldown-too-fast", Text: evacNotFast(o.ratio)}
	}
	v.fast = true
	return &Finding{Edge: Raised, Flag: "pulldown-too-fast", Urgency: o.urgency, Text: o.text, Values: o.values}
}

// opinion is what one yardstick says of a pull.
type opinion struct {
	urgency Urgency
	ratio   float64 // drawn on, of what should be
	text    string
	values  []Value
}

// share is a ratio with its doubt.
type share struct{ best, low, high, sure float64 }

// shareOf takes a doubt as a share of the ratio; sure is how sure it is that
// more than a tenth is missing.
func shareOf(ratio, doubt float64) share {
	return share{ratio, ratio * math.Exp(-2*doubt), ratio * math.Exp(2*doubt), 0.5 * math.Erfc(-math.Log(pullAgrees/ratio)/doubt/math.Sqrt2)}
}

func (s share) values(tookS, expectedS float64) []Value {
	return []Value{{"took_s", tookS}, {"expected_s", expectedS}, {"volume_ratio", s.best}, {"volume_ratio_low", s.low}, {"volume_ratio_high", s.high}, {"sure_ratio", s.sure}}
}

// byTakeOff holds the pull against the pump's speed and the pipework's volume.
func (v *volume) byTakeOff(d drawn) (o opinion) {
	if v.rig.pumpM3PerS <= 0 || v.wholeM3 <= 0 || d.doubt > pullDoubtful {
		return opinion{ratio: math.Inf(1)}
	}
	v.compared = true
	s := shareOf(d.volumeM3/v.wholeM3, hypot(d.doubt, hypot(knownTo, v.wholeDoubt)))
	o.ratio = s.best
	switch {
	case s.best < pullWake:
		o.urgency = Wake
	case s.best < pullTell:
		o.urgency = Tell
	}
	o.text = evacFastVolume(d.fallS, d.fallS/s.best, v.wholeM3, v.guessed, s)
	o.values = s.values(d.fallS, d.fallS/s.best)
	return o
}

// byEarlier holds it against earlier pulls of the same rig.
func (v *volume) byEarlier(d drawn) (o opinion) {
	if v.yardW == 0 || d.fallDoubt > pullDoubtful {
		return opinion{ratio: math.Inf(1)}
	}
	v.compared = true
	whole := math.Exp(v.yardLn)
	doubt := hypot(hypot(d.fallDoubt, pullRepeats), 1/math.Sqrt(v.yardW))
	s := shareOf(d.fallS/whole, doubt)
	o.ratio = s.best
	switch {
	case s.best < pullWake:
		o.urgency = Wake
	case s.best < max(pullTell, pullAgrees*math.Exp(-pullSurely*doubt)):
		o.urgency = Tell
	}
	o.text = evacFastEarlier(d.fallS, whole, s)
	o.values = s.values(d.fallS, whole)
	return o
}

// byStep tells of valves that shut during the pull.
func (v *volume) byStep(d drawn) opinion {
	if !d.stepped {
		return opinion{ratio: math.Inf(1)}
	}
	return opinion{Wake, d.share, evacFastStep(d.stepPa, d.share),
		[]Value{{"step_pa", d.stepPa}, {"volume_ratio", d.share}}}
}

// byPump is a suspicion where neither the pump nor an earlier pull is known:
// all of the pipework in this time would need a pump that nobody carries.
func (v *volume) byPump(d drawn) opinion {
	if v.rig.pumpM3PerS > 0 || v.wholeM3 <= 0 || v.yardW > 0 || d.doubt > pullDoubtful {
		return opinion{ratio: math.Inf(1)}
	}
	needs := v.rig.speed() * v.wholeM3 / d.volumeM3
	s := shareOf(rigMostM3S/needs, hypot(d.doubt, v.wholeDoubt))
	o := opinion{ratio: s.best}
	if s.best < 1 {
		o.urgency = Tell
	}
	o.text, o.values = evacFastPump(d.fallS, v.wholeM3, needs), []Value{{"took_s", d.fallS}, {"pump_m3_per_s", needs}}
	return o
}

// gaugeOver forgets what the vacuum gauge showed: it was not of the pipework.
func (v *volume) gaugeOver() { v.gaugeFall.restart() }

// readGauge takes a reading of the vacuum gauge, where no absolute transducer
// has told of this pull: it proves nothing, but water and the gauge's own crookedness
// only make a pull look slower.
func (v *volume) readGauge(s sample, ok bool) *Finding {
	if v.judged || !ok || v.rig.pumpM3PerS <= 0 || v.wholeM3 <= 0 || !v.gaugeFall.add(s) {
		return nil
	}
	d := v.gaugeFall.judge(v.rig, 0, 1)
	if d.doubt > pullDoubtful {
		return nil
	}
	p := shareOf(d.volumeM3/v.wholeM3, hypot(d.doubt, hypot(knownTo, v.wholeDoubt)))
	if p.best >= pullGauge {
		return nil
	}
	return v.say(opinion{Tell, p.best, evacFastGauge(v.wholeM3, v.guessed, p), []Value{{"volume_ratio", p.best}, {"volume_ratio_low", p.low}, {"volume_ratio_high", p.high}, {"sure_ratio", p.sure}}})
}

// values are what the step's verdict keeps for a later evacuation with the same rig.
func (v *volume) values() []Value {
	v.keep()
	if v.yardW == 0 {
		return nil
	}
	return []Value{{"fall_100_to_25_torr_s", math.Exp(v.yardLn)}}
}

// pullDown follows the fall of one instrument's pressure and tells what volume
// the pump draws on.
type pullDown struct {
	fromPa, toPa, widePa float64
	ss                   []sample // of this fall, in the order taken
	peakPa, leastPa      float64
	below                int  // readings at the end or past it
	done                 bool // judged
	gauge                bool // a vacuum gauge's: only what lies between counts
}

// restart forgets the fall.
func (d *pullDown) restart() {
	*d = pullDown{fromPa: d.fromPa, toPa: d.toPa, widePa: d.widePa, gauge: d.gauge}
}

// add takes a reading; it reports whether the fall can be judged now.
func (d *pullDown) add(s sample) bool {
	n := len(d.ss)
	late := n > 0 && s.t < d.ss[n-1].t
	switch {
	case late:
		i := n
		for i > 0 && d.ss[i-1].t > s.t {
			i--
		}
		if i == 0 && d.done {
			return false
		}
		d.ss = append(d.ss, sample{})
		copy(d.ss[i+1:], d.ss[i:])
		d.ss[i] = s
		return d.done
	case n > 0 && s.t == d.ss[n-1].t:
		return false
	case n == 0 || s.v > float64(1.05*d.leastPa)+10*noisePa*d.fromPa/pullFromPa, !d.done && s.v > 0.97*d.peakPa:
		// risen again, or still where it begins
		d.peakPa = max(s.v, d.peakPa)
		if s.v <= 0.97*d.peakPa {
			d.peakPa = s.v
		}
		d.ss, d.leastPa, d.below, d.done = append(d.ss[:0], s), s.v, 0, false
		return false
	case d.done:
		d.leastPa = min(d.leastPa, s.v)
		return false
	}
	d.leastPa = min(d.leastPa, s.v)
	if s.v > pullWidePa && d.stands(s) {
		d.ss = d.ss[:0]
	}
	if len(d.ss) >= samplesMost {
		d.thin()
	}
	d.ss = append(d.ss, s)
	if s.v <= d.toPa {
		d.below++
	} else {
		d.below = 0
	}
	d.done = d.below >= 2
	return d.done
}

// stands reports whether nothing has been drawn off lately, as after a break is vented.
func (d *pullDown) stands(s sample) bool {
	for i := len(d.ss) - 1; i >= 0; i-- {
		if s.t-d.ss[i].t >= pullStands {
			return s.v > 0.97*d.ss[i].v
		}
	}
	return false
}

// thin drops every other reading of a fall that takes long.
func (d *pullDown) thin() {
	kept := d.ss[:0]
	for i, s := range d.ss {
		if i%2 == 0 {
			kept = append(kept, s)
		}
	}
	d.ss = kept
}

// between are the readings from the last at or above one pressure to the first
// at or below another, without those that lie outside their neighbours.
func (d *pullDown) between(fromPa, toPa float64, after time.Duration) (tS, pPa []float64) {
	first, last := 0, len(d.ss)-1
	for i, s := range d.ss {
		if s.v >= fromPa {
			first = i
		}
	}
	for i := first; i < len(d.ss); i++ {
		if d.ss[i].v <= toPa {
			last = i
			break
		}
	}
	for i := first; i <= last; i++ {
		s := d.ss[i]
		if s.t < after || d.gauge && (s.v > fromPa || s.v < toPa) {
			continue
		}
		if i > 0 && i+1 < len(d.ss) {
			low, high := min(d.ss[i-1].v, d.ss[i+1].v), max(d.ss[i-1].v, d.ss[i+1].v)
			if off := float64(5*noisePa*d.fromPa/pullFromPa) + float64(0.05*s.v); s.v > high+off || s.v < low-off {
				continue
			}
		}
		tS, pPa = append(tS, s.t.Seconds()), append(pPa, s.v)
	}
	return tS, pPa
}

// rig is what the pump draws through.
type rig struct {
	pumpM3PerS float64 // 0: not known
	hose       physics.Hose
	boreGiven  bool
}

// drawn is what a fall says.
type drawn struct {
	volumeM3  float64 // by the rig's speed; where that is not known, of a common one
	doubt     float64 // a share of it: from the readings, the transducer's zero, and a hose that is not known
	fallS     float64 // from 100 to 25 torr, as the transducer shows it: what pulls of the same rig are compared by
	fallDoubt float64 // a share of it
	stepped   bool    // it bent in the middle
	stepAt    time.Duration
	stepPa    float64
	share     float64 // what was drawn on after the step, of what before it
}

// judge fits a fall between 100 and 25 torr after the first seconds; where too
// few readings lie there, a wider stretch. What is too doubtful is infinitely so.
func (d *pullDown) judge(r rig, zeroPa, zeroDoubtPa float64) (best drawn) {
	best.doubt, best.fallDoubt = math.Inf(1), math.Inf(1)
	if len(d.ss) == 0 {
		return best
	}
	start := d.ss[0].t + pullLeaves
	for _, stretch := range []struct {
		fromPa float64
		after  time.Duration
	}{{d.fromPa, start}, {d.fromPa, 0}, {d.widePa, 0}} {
		tS, pPa := d.between(stretch.fromPa, d.toPa, stretch.after)
		if d.gauge && len(tS) < 3 {
			continue
		}
		if v, doubt := d.fit(r, tS, pPa, zeroPa, zeroDoubtPa); best.doubt > pullFine && doubt < best.doubt {
			best.volumeM3, best.doubt = v, doubt
		}
		// Of the same rig the hose and the zero are the same too: whatever they
		// are, two falls differ as the volumes do.
		c := r.course(r.hose.BoreM, d.toPa)
		if f, ok := c.FitPull(tS, pPa, d.noise(pPa), 0, 1); ok && best.fallDoubt > pullFine && f.Doubt < best.fallDoubt {
			best.fallS, best.fallDoubt = f.VolumeM3*(c.SPerM3(pullToPa)-c.SPerM3(pullFromPa)), f.Doubt
		}
	}
	if tS, pPa := d.between(stepFromPa, d.toPa, start); !d.gauge {
		best.step(r, tS, pPa)
	}
	if best.doubt > pullDoubtful {
		best.volumeM3, best.doubt = d.atMost(r)
	}
	if best.fallDoubt > pullDoubtful {
		best.fallDoubt = math.Inf(1)
	}
	return best
}

// atMost is what a fall between two or three readings leaves: it was over in
// the time from the last reading at its top, whenever in that time it began.
func (d *pullDown) atMost(r rig) (volumeM3, doubt float64) {
	c := r.course(r.hose.BoreM, d.toPa)
	doubt = math.Inf(1)
	for _, s := range d.ss[1:] {
		if pa := s.v + 3*noisePa; !d.gauge && pa < d.ss[0].v/2 {
			v := (s.t - d.ss[0].t).Seconds() / (c.SPerM3(pa) - c.SPerM3(d.ss[0].v))
			if math.IsInf(doubt, 1) || v < volumeM3 {
				volumeM3, doubt = v, pullDoubtful
			}
		}
	}
	return volumeM3, doubt
}

func (r rig) course(boreM, lowPa float64) physics.Course {
	return physics.Hose{BoreM: boreM, LengthM: r.hose.LengthM}.Course(r.speed(), lowPa/8, 1.1e5)
}

func (r rig) speed() float64 {
	if r.pumpM3PerS > 0 {
		return r.pumpM3PerS
	}
	return rigM3PerS
}

func (d *pullDown) noise(pPa []float64) []float64 {
	noise := make([]float64, len(pPa))
	for i, p := range pPa {
		noise[i] = noisePa
		if d.gauge { // a thermal gauge's goes with the pressure: 3 % (the field guide)
			noise[i] = 1 + float64(noiseMost*p)
		}
	}
	return noise
}

// fit is a volume by the hose where it is known; else the mean over the trade's
// hoses, each as far as the curve fits it.
func (d *pullDown) fit(r rig, tS, pPa []float64, zeroPa, zeroDoubtPa float64) (volumeM3, doubt float64) {
	hoses := bores
	if r.boreGiven {
		hoses = []float64{r.hose.BoreM}
	}
	noise := d.noise(pPa)
	var fits []physics.Pull
	least, scatter := math.Inf(1), 1.0
	for _, bore := range hoses {
		f, ok := r.course(bore, d.toPa).FitPull(tS, pPa, noise, zeroPa, zeroDoubtPa)
		if !ok {
			continue
		}
		fits = append(fits, f)
		if f.Chi2 < least {
			least, scatter = f.Chi2, max(1, f.Chi2/max(float64(f.N)-2, 1))
		}
	}
	sum, ln, square := 0.0, 0.0, 0.0
	for _, f := range fits {
		w := math.Exp((least - f.Chi2) / (2 * scatter))
		x := math.Log(f.VolumeM3)
		sum += w
		ln += float64(w * x)
		square += float64(w * (float64(x*x) + float64(f.Doubt*f.Doubt)))
	}
	if sum == 0 {
		return 0, math.Inf(1)
	}
	ln /= sum
	return math.Exp(ln), math.Sqrt(max(square/sum-float64(ln*ln), 0))
}

// step looks for a bend in mid-pull: valves that power shut meanwhile.
func (v *drawn) step(r rig, tS, pPa []float64) {
	b, ok := r.course(r.hose.BoreM, pullToPa).FindBend(tS, pPa, noisePa, stepLeast)
	if ok && b.Gain > stepGain && b.Share < pullTell && b.Share > stepMost {
		v.stepped, v.share = true, b.Share
		v.stepAt, v.stepPa = asTime(tS[b.At]), pPa[b.At]
	}
}
