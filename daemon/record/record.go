package record

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// Record is what the journal holds of one job of one system, as plain data:
// what JSON and CSV print, and what the paper, the label and a later visit are
// made from. Figures stand in SI under keys that end in their unit; times are
// wall times by the newest anchors, in the site's zone.
type Record struct {
	Format  int       `json:"format"`        // of this file: 1
	Made    time.Time `json:"made,omitzero"` // of the last entry that it rests on
	Entries uint64    `json:"entries"`       // the journal's, to there
	Site    string    `json:"site"`
	Zone    string    `json:"zone"`
	// SiteKnown is false where the journal holds no site file: names, rooms and
	// limits are then only what the marks tell.
	SiteKnown bool   `json:"site_known"`
	System    System `json:"system"`
	Job       Job    `json:"job"`
	// MassUnit is what the charging scale speaks; empty: kg. Papers have their
	// tables in it, data stay in SI.
	MassUnit string `json:"mass_unit,omitempty"`

	Charge      Charge       `json:"charge"`
	TakeOff     TakeOff      `json:"take_off"`
	Steps       []Step       `json:"steps"`             // in the order begun
	Outstanding []Open       `json:"open_points"`       // what is not settled
	Units       []UnitRow    `json:"units"`             // the address sheet
	Counted     []Count      `json:"counted"`           //
	Settings    []Setting    `json:"settings"`          // changed at units
	Flags       []Flag       `json:"flags"`             // in the order first raised
	Checks      []Check      `json:"checks"`            // that no sensor sees
	Reported    []Said       `json:"reported"`          // done before the box came
	Accepted    []Said       `json:"accepted"`          // failed or not proven, and taken on by a person
	Instruments []Instrument `json:"instruments"`       //
	Notes       []Note       `json:"notes"`             // marks, as they were told
	Later       []Note       `json:"later,omitempty"`   // told after it was closed, and of no other job
	Signatures  []Signed     `json:"signatures"`        //
	Runs        []Boot       `json:"runs"`              // of the box: version, clock
	Photos      []Photo      `json:"photos,omitempty"`  // that marks name
	Unclear     []string     `json:"unclear,omitempty"` // what could not be read, each a sentence
	Earlier     []Earlier    `json:"earlier,omitempty"` // what earlier visits left, the newest first

	stood   stood   // the journal, when this was read
	chained Chained // Entries
}

// recordFormat is the format of a record's JSON.
const recordFormat = 1

// System is the refrigerant network.
type System struct {
	Name         string   `json:"name"` // empty: the site's only one
	Refrigerant  string   `json:"refrigerant"`
	HeatRecovery bool     `json:"heat_recovery"`
	Outdoor      []string `json:"outdoor_units"`
	Branches     []string `json:"branch_units"`
	Indoor       []Indoor `json:"indoor_units"`
	PipeM3       float64  `json:"pipe_volume_m3,omitempty"`
	GWP          float64  `json:"gwp,omitempty"`
	GWPSource    string   `json:"gwp_source,omitempty"`
}

// Indoor is an indoor unit by the site file.
type Indoor struct {
	Unit   string `json:"unit"`
	Room   string `json:"room"`
	Branch string `json:"branch,omitempty"`
	Port   int    `json:"port,omitempty"`
}

// Job is which coming to that system it was.
type Job struct {
	Number int       `json:"number"`
	Of     int       `json:"of"` // so many jobs the journal holds of this system
	Name   string    `json:"name"`
	State  string    `json:"state"` // open, closed, archived
	By     string    `json:"begun_by,omitempty"`
	Begun  time.Time `json:"begun,omitzero"` // of its first entry
	Ended  time.Time `json:"ended,omitzero"` // of its last; zero: it goes on
	Said   []JobSaid `json:"said,omitempty"` // closed, reopened, archived: by whom and why
}

// JobSaid is one word on a job.
type JobSaid struct {
	What string    `json:"what"`
	Text string    `json:"text,omitempty"`
	By   string    `json:"by,omitempty"`
	At   time.Time `json:"at,omitzero"`
}

// Charge is what the system holds.
type Charge struct {
	FactoryKg    float64  `json:"factory_kg"`             // what the outdoor units came with; 0: not known of each
	FactoryOpen  []string `json:"factory_open,omitempty"` // those of which it is not known, where it is known of others
	CalculatedKg float64  `json:"calculated_kg"`          // additional, by the take-off; 0: not known
	TargetKg     float64  `json:"target_kg"`              // additional, that was weighed in against; 0: none
	AdditionalKg float64  `json:"additional_kg"`          // what went in, the best estimate
	LowKg        float64  `json:"additional_low_kg"`
	HighKg       float64  `json:"additional_high_kg"`
	UnweighedKg  float64  `json:"unweighed_kg"` // of it, what no scale saw
	TotalKg      float64  `json:"total_kg"`     // factory and additional; 0: one of them is not known
	Weighed      bool     `json:"weighed"`      // a scale stood under it: else AdditionalKg says nothing
	Result       string   `json:"result"`       // of the newest weigh-in (or draw-in); empty: no verdict
}

// TakeOff is the measured lines and what they come to.
type TakeOff struct {
	Runs         []Run    `json:"runs"`
	ByDiameter   []Length `json:"lengths"` // of each line and diameter
	LiquidM      float64  `json:"liquid_length_m"`
	GasM         float64  `json:"gas_length_m"`
	AllowancesKg float64  `json:"allowances_kg"`
	AdditionalKg float64  `json:"additional_kg"`    // 0: not known
	TotalKg      float64  `json:"total_kg"`         // with the factory's; 0: not known
	InsideM3     float64  `json:"inside_volume_m3"` // of lines, coils and branch units
	LiquidC      float64  `json:"liquid_c"`         // that lines without a factor are reckoned at
	Estimated    int      `json:"lines_without_factor"`
	Doubts       []string `json:"doubts,omitempty"`
	Entered      bool     `json:"entered"` // on site, in its step; else it is the site file's
}

// Run is one line of it.
type Run struct {
	Run       string  `json:"run"`
	Line      string  `json:"line"` // liquid, suction, hot-gas
	DiameterM float64 `json:"outside_diameter_m"`
	LengthM   float64 `json:"length_m"`
	WallM     float64 `json:"wall_m,omitzero"`
	FactorKgM float64 `json:"factor_kg_per_m,omitempty"` // the maker's; 0: none given
	VolumeM3  float64 `json:"volume_m3"`
	ChargeKg  float64 `json:"charge_kg"` // of a liquid line
}

// Length is what lines of one kind and diameter come to.
type Length struct {
	Line      string  `json:"line"`
	DiameterM float64 `json:"outside_diameter_m"`
	LengthM   float64 `json:"length_m"`
}

// Step is one step of the job, from its begin to its end.
type Step struct {
	Step     string    `json:"step"`
	Number   int       `json:"number"` // the how manieth of its name in this job
	Seq      uint64    `json:"seq"`    // of its begin mark
	Begun    time.Time `json:"begun,omitzero"`
	Ended    time.Time `json:"ended,omitzero"` // zero: under way
	ElapsedS float64   `json:"elapsed_s"`      // to its end, or to the record's; gaps of unknown length not counted
	Open     bool      `json:"open"`
	State    string    `json:"state"` // passed, failed, not-proven, accepted, open, ended (without a verdict), left-running (when the job was closed)
	Sentence string    `json:"sentence"`
	Cause    string    `json:"cause,omitempty"`
	Clock    string    `json:"clock"` // proven, unproven or none, over all of it

	Figures Figures `json:"figures"` // of its verdict, and what its judge said last
	// Conditions are what it was done in: the outdoor air, where a point measures it.
	Conditions Figures     `json:"conditions,omitempty"`
	Limits     []StepLimit `json:"limits"`             // as they stood at its begin
	Verdicts   []Verdict   `json:"verdicts"`           // the last one of the step and of each unit
	Before     []Verdict   `json:"before,omitempty"`   // those they replaced, oldest first
	After      *After      `json:"after,omitempty"`    // what became of one that was left running
	Gaps       []Gap       `json:"gaps,omitempty"`     // without readings
	Ledger     []Segment   `json:"ledger,omitempty"`   // of a charge
	Units      []Unit      `json:"units,omitempty"`    // of a step that judges each
	Branch     *Branch     `json:"branches,omitempty"` // of a branch check
	Accepted   []Said      `json:"accepted,omitempty"`
	Sure       string      `json:"sure,omitempty"` // how sure its judge was last: sure, likely, too early to say

	Curves []Graph     `json:"-"` // their readings stand in the field log
	Airs   []UnitGraph `json:"-"` // of a step that judges each unit by its air
}

// Verdict is a judge's, of the step or of one unit.
type Verdict struct {
	Unit    string    `json:"unit,omitempty"`
	At      time.Time `json:"at,omitzero"`
	Result  string    `json:"result"`
	Cause   string    `json:"cause"`
	Text    string    `json:"text"`
	Figures Figures   `json:"figures"`
	Seq     uint64    `json:"seq"` // of the last entry that it rests on
}

// After is what became of a step after its job was closed.
type After struct {
	Ended    time.Time `json:"ended,omitzero"` // zero: it runs yet
	Verdicts []Verdict `json:"verdicts,omitempty"`
}

// StepLimit is one setting of a step.
type StepLimit struct {
	Key    string  `json:"key"`
	Value  float64 `json:"value"`          // in Unit
	Unit   string  `json:"unit,omitempty"` // SI; empty: a word
	Text   string  `json:"text"`           // as written
	Source string  `json:"source"`
	Given  bool    `json:"given"` // by the site; else it is the default
}

// Gap is a stretch without readings.
type Gap struct {
	From    time.Time `json:"from,omitzero"`
	Until   time.Time `json:"until,omitzero"`
	LengthS float64   `json:"length_s"` // 0: not known
	Point   string    `json:"point,omitempty"`
	Why     string    `json:"why"` // power-cut, silent, not-usable
}

// Segment is one stretch of a charge's ledger.
type Segment struct {
	Scale    string    `json:"scale"` // empty: the steps before this one, together
	Cylinder int       `json:"cylinder"`
	From     time.Time `json:"from,omitzero"`
	Until    time.Time `json:"until,omitzero"`
	FromKg   float64   `json:"from_kg"` // gross
	ToKg     float64   `json:"to_kg"`
	LowKg    float64   `json:"low_kg"`
	BestKg   float64   `json:"best_kg"`
	HighKg   float64   `json:"high_kg"`
	Ended    string    `json:"ended,omitempty"` // why; empty: it goes on
	Unseen   bool      `json:"unseen"`          // no scale saw it
}

// Unit is how an indoor unit stood in a step that judges each.
type Unit struct {
	Unit     string  `json:"unit"`
	Room     string  `json:"room"`
	Asked    string  `json:"asked,omitempty"`
	Result   string  `json:"result"` // empty: not judged
	Cause    string  `json:"cause,omitempty"`
	Sentence string  `json:"text,omitempty"`
	Figures  Figures `json:"figures"`
}

// Branch is a branch check's table: a row each unit asked, a column each answered.
type Branch struct {
	Units     []string     `json:"units"`
	Responses [][]Response `json:"responses"`
	Pairs     []rules.Pair `json:"pairs"`
	Dead      []string     `json:"dead"`
	Leaks     []rules.Pair `json:"leaks"`
}

// Response is one cell of it.
type Response struct {
	K      float64 `json:"response_k"`
	Known  bool    `json:"known"`
	Chosen bool    `json:"chosen"`
}

// Graph is a curve of a step.
type Graph struct {
	Point    string
	Quantity sensors.Quantity
	Unit     string // what the instrument speaks
	From, To time.Time
	Lines    [][]Sample // measured, as believed then: a gap ends one stretch and begins another
	Lowest   Sample
	Highest  Sample
	Bands    []GraphBand
	Limit    *StepLimit
	Above    bool // what lies above the limit is forbidden
	Log      bool
}

// UnitGraph is an indoor unit's air over a step, with what it was judged by.
type UnitGraph struct {
	Unit, Room     string
	Supply, Return *Graph    // nil: not measured
	Judged         time.Time // when its result was given, the last time; zero: it was not
	Result         string
	LowK, HighK    float64 // what its split was to lie between, where Known
	Known          bool
	Heating        bool
	Asked          []AskedSpan // of a branch check: what it was asked, while that was to heat or to cool
}

// AskedSpan is a stretch in which a unit was asked the same.
type AskedSpan struct {
	From, To time.Time
	What     string // heat, cool
}

// GraphBand is a fitted model with its band.
type GraphBand struct {
	Name            string
	At              []time.Time
	Low, Best, High []float64
}

// UnitRow is a line of the address sheet.
type UnitRow struct {
	Unit    string   `json:"unit"`
	Kind    string   `json:"kind"` // indoor, branch, outdoor; empty: the site file knows no such unit
	Room    string   `json:"room,omitempty"`
	Address string   `json:"address,omitempty"`
	Others  []string `json:"other_addresses,omitempty"`
	Planned string   `json:"planned_address,omitempty"` // by the unit list that was taken in
	Model   string   `json:"model,omitempty"`
	Branch  string   `json:"branch,omitempty"`
	Port    int      `json:"port,omitempty"`
	Found   bool     `json:"found"`
	Note    string   `json:"note,omitempty"`
}

// Count is how many units of a kind there should be, were named and were counted.
type Count struct {
	Kind     string `json:"kind"`
	Expected int    `json:"expected"`
	Found    int    `json:"found"`
	Counted  int    `json:"counted"` // -1: not told
}

// Setting is a setting changed at a unit.
type Setting struct {
	Unit   string    `json:"unit"`
	Number string    `json:"setting"`
	From   string    `json:"from,omitempty"`
	To     string    `json:"to"`
	Note   string    `json:"note,omitempty"`
	By     string    `json:"by,omitempty"`
	At     time.Time `json:"at,omitzero"`
}

// Flag is a flag, from its first raising on.
type Flag struct {
	Flag           string    `json:"flag"`
	Step           string    `json:"step,omitempty"`
	Subject        string    `json:"subject,omitempty"`
	Urgency        string    `json:"urgency"` // the highest
	Text           string    `json:"text"`    // of the newest raising
	Raised         time.Time `json:"raised,omitzero"`
	Cleared        time.Time `json:"cleared,omitzero"` // zero: not yet
	Open           bool      `json:"open"`             // at the record's end
	Unread         bool      `json:"unread,omitempty"` // a silence of what no step under way read
	Acknowledged   bool      `json:"acknowledged"`
	By             string    `json:"acknowledged_by,omitempty"`
	AcknowledgedAt time.Time `json:"acknowledged_at,omitzero"`
	Figures        Figures   `json:"figures"`
}

// Check is one that no sensor sees.
type Check struct {
	Check  string      `json:"check"`
	Text   string      `json:"text"` // what is so when it is done
	Source string      `json:"source"`
	State  string      `json:"state"` // done, wrong, does-not-apply, left-open, open
	Said   []CheckSaid `json:"said,omitempty"`
}

// CheckSaid is one word on a check.
type CheckSaid struct {
	State  string    `json:"state"`
	By     string    `json:"by,omitempty"`
	Remark string    `json:"remark,omitempty"`
	At     time.Time `json:"at,omitzero"`
	Photos []string  `json:"photos,omitempty"`
}

// Photo is a picture that a mark names.
type Photo struct {
	Name string `json:"sha256"`
	Of   string `json:"of"`   // the check
	Kept bool   `json:"kept"` // the journal holds it
	Size int64  `json:"-"`
	read func() ([]byte, error)
}

// Said is what a person answers for of a step.
type Said struct {
	Step string    `json:"step"`
	By   string    `json:"by"`
	Text string    `json:"text"` // which document; or why
	At   time.Time `json:"at,omitzero"`
}

// Instrument is what hangs at a point.
type Instrument struct {
	Point      string       `json:"point"`
	Measures   string       `json:"measures"`
	Role       string       `json:"role,omitempty"`
	Kind       string       `json:"kind,omitempty"` // the driver by which it is read
	Serial     string       `json:"serial,omitempty"`
	Calibrated string       `json:"calibrated,omitempty"` // the day
	Against    string       `json:"against,omitempty"`
	Until      string       `json:"valid_until,omitempty"`
	By         string       `json:"by,omitempty"`
	Used       bool         `json:"used"` // readings of it stand in this job
	Said       []Calibrated `json:"said,omitempty"`
}

// Calibrated is what was said of an instrument: corrected, found, exchanged.
type Calibrated struct {
	What    string    `json:"what"`
	Note    string    `json:"note"`
	Problem string    `json:"problem,omitempty"` // why nothing was made of it
	By      string    `json:"by,omitempty"`
	At      time.Time `json:"at,omitzero"`
}

// Note is a mark as it was told.
type Note struct {
	Mark  string    `json:"mark"`
	At    time.Time `json:"at,omitzero"`
	Value float64   `json:"value,omitempty"`
	Unit  string    `json:"si_unit,omitempty"`
	Note  string    `json:"note,omitempty"`
	By    string    `json:"by,omitempty"`
}

// Signed is a name under it.
type Signed struct {
	Role    string        `json:"role"`
	Name    string        `json:"name"`
	At      time.Time     `json:"at,omitzero"`
	Strokes rules.Strokes `json:"strokes,omitempty"`
	After   bool          `json:"later_entries"` // the journal took further entries of the job afterwards
}

// Boot is one run of the box.
type Boot struct {
	Boot     uint32    `json:"boot"`
	Version  string    `json:"version"`
	Begun    time.Time `json:"begun,omitzero"`
	GapS     float64   `json:"gap_s,omitempty"` // before it
	GapKnown bool      `json:"gap_known"`
	First    bool      `json:"first"`        // the journal's first: there was nothing before it
	Clock    string    `json:"clock"`        // by what: synchronised, system, browser, log; empty: none
	Proven   bool      `json:"clock_proven"` //
	ErrorS   float64   `json:"clock_error_s,omitempty"`
}

// Figures are numbers under keys that end in their SI unit, in the judges' order.
type Figures []rules.Value

// Of is the number under a key.
func (f Figures) Of(key string) (x float64, ok bool) {
	for _, v := range f {
		if v.Key == key {
			return v.Number, true
		}
	}
	return 0, false
}

// MarshalJSON writes them as one object, in their order.
func (f Figures) MarshalJSON() ([]byte, error) {
	b := []byte{'{'}
	for i, v := range f {
		if i > 0 {
			b = append(b, ',')
		}
		b = strconv.AppendQuote(b, v.Key)
		b = append(b, ':')
		n, err := json.Marshal(v.Number)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", v.Key, err)
		}
		b = append(b, n...)
	}
	return append(b, '}'), nil
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (f *Figures) UnmarshalJSON(b []byte) error {
	d := json.NewDecoder(bytes.NewReader(b))
	if _, err := d.Token(); err != nil {
		return err
	}
	*f = nil
	for d.More() {
		key, err := d.Token()
		if err != nil {
			return err
		}
		var v rules.Value
		var ok bool
		if v.Key, ok = key.(string); !ok {
			return fmt.Errorf("%v is no key of a figure", key)
		}
		if err := d.Decode(&v.Number); err != nil {
			return fmt.Errorf("%s: %w", v.Key, err)
		}
		*f = append(*f, v)
	}
	return nil
}
