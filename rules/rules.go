// Package rules judges the journal's past: readings and marks in, flags and
// verdicts out. It is pure. It holds no clock, does no I/O and starts no
// goroutine, so the same journal gives the same findings, byte for byte:
// live, after a restart, in replay.
//
// An Engine hands entries to judges. A Rule is one file: it names the steps it
// judges, the flags it may raise, the roles of the points it reads, and begins
// a Judge for each step. A rule without steps stands watch from every start of
// the box. Adding a rule is one file and one line in All.
package rules

import (
	"time"

	"standwatch/sensors"
)

// Instant is a moment as the box can know it: the run of the box (a boot
// number, from 1) and the time since that machine's boot. It does not depend
// on a wall clock.
type Instant struct {
	Boot  uint32
	Since time.Duration // whole milliseconds
}

// Before reports whether a is earlier than b. A later boot is later.
func (a Instant) Before(b Instant) bool {
	return a.Boot < b.Boot || a.Boot == b.Boot && a.Since < b.Since
}

// Entry is one line of the journal. Only inputs have a sequence number; Due is
// made by the engine and never stored.
type Entry struct {
	Seq  uint64
	At   Instant
	Body Body

	// place is set by the engine for the judge it hands a reading to: which of
	// its Start.Points it is of. It spares every judge a look-up by name.
	place int
}

// Body is what an entry holds: *Measured, *Told, *Started, *Clocked or *Due.
type Body interface{ body() }

// Measured is one reading.
type Measured struct {
	sensors.Reading
	// Taken is when the value was taken, since the boot of the entry's At: the
	// instrument's own time where it told a believable one, else At. Curves and
	// fits go by it; it may be earlier than the boot.
	Taken time.Duration
}

// Told is a mark: what a person (or the simulated one) told the box.
type Told struct {
	Kind   string // "begin", "end", "command", "mark"
	Name   string // the step, the indoor unit, or the mark's name
	System string // of begin and end; empty where the site has one system only
	Value  float64
	Unit   string // SI where the unit is known, else as written; empty: no value
	Note   string
	By     string             // who, where known
	Own    int64              // when it happened, Unix ms; 0: at the entry's At
	Limits map[string]Setting `json:",omitempty"` // of begin: the step's settings as they stood
}

// Started is the box beginning to run: a new boot number.
type Started struct {
	// Gap is how long the box was away since the entry before; known only
	// where both sides had a clock that could be believed or the machine itself ran on.
	Gap      time.Duration
	GapKnown bool
	Version  string
	Machine  string // the kernel's boot id
	Same     bool   `json:",omitempty"` // the machine kept its power: only the program ended
}

// Clocked is a clock anchor: the wall time at this entry was Wall. It is also
// how time alone enters the journal: the daemon commits one when a deadline
// has passed and nothing else was heard, so that a replay sees it pass too.
type Clocked struct {
	Wall   int64 // Unix ms at the entry's At
	Error  time.Duration
	Source string // "system", "synchronised", "browser", "log", "simulated"
	Proven bool
}

// Due is a judge's own deadline come true, at that very instant.
type Due struct{}

func (*Measured) body() {}
func (*Told) body()     {}
func (*Started) body()  {}
func (*Clocked) body()  {}
func (*Due) body()      {}

// Setting is one limit of a step, in SI, with where it comes from.
type Setting struct {
	Value  float64
	Text   string // as written, or the word of a setting that is a word
	Source string // "site file", "common practice", the standard's name
	Given  bool   // the site gave it; else it is the default
	// Doubt says that nothing can be proved by it: a target that is an estimate.
	Doubt bool `json:",omitempty"`
}

// Step is one stage of the start-up of one system.
type Step struct {
	System string
	Name   string
	Begin  uint64 // sequence number of its begin mark
	Limits map[string]Setting
}

// Urgency says how much a flag matters to a person now.
type Urgency uint8

// From the record only, to a ringing phone.
const (
	Note Urgency = iota
	Tell
	Wake
)

// String returns the urgency's word: note, tell or wake.
func (u Urgency) String() string { return [...]string{"note", "tell", "wake"}[u] }

// Value is a number of a finding under a key that ends in its SI unit, rounded
// to six significant digits (Num) so that it is the same on every machine.
type Value struct {
	Key    string
	Number float64
}

// Edge is what a finding does.
type Edge uint8

// A flag is raised (perhaps again, with a higher urgency) and cleared; a
// verdict is given (perhaps again: the last one counts).
const (
	Raised Edge = iota
	Cleared
	Given
)

// String returns the edge's word: raised, cleared or verdict.
func (e Edge) String() string { return [...]string{"raised", "cleared", "verdict"}[e] }

// Finding is one edge of a flag, or a verdict. It is unique by (Flag, System,
// Begin, Subject, Edge, Seq, At), so that a restart repeats none.
type Finding struct {
	At      Instant
	Seq     uint64 // of the last entry it rests on
	Edge    Edge
	Flag    string // the flag's name; of a verdict the step's
	System  string
	Step    string // empty for most of what a standing rule finds
	Begin   uint64 // of the step; 0 for a standing rule
	Subject string // tells flags of the same name apart: a point, a unit; may be empty
	Urgency Urgency
	Points  []string
	Text    string // a sentence a person can say aloud: what, what it means, what to do
	Values  []Value
	Result  string // of a verdict: passed, failed, not-proven
	Cause   string // of a verdict
	Unit    string // of a verdict that concerns one indoor unit
	Pairs   []Pair `json:",omitempty"` // of a branch check: every crossing found
}

// Pair is a crossing: what was asked of Unit was answered in the room of
// Answers. Two rooms exchanged are two pairs. Whether pipes or control wires
// are crossed the readings cannot tell.
type Pair struct {
	Unit    string `json:"unit"`
	Answers string `json:"answers"`
}

// Results of a verdict.
const (
	Passed    = "passed"
	NotPassed = "failed"
	NotProven = "not-proven"
)

// Flag is a raised flag that has not been cleared.
type Flag struct {
	Finding              // the newest raising edge
	First        Instant // of the first raising edge
	Acknowledged bool
	By           string
}

// Judge follows one step of one system, or stands watch over one system.
type Judge interface {
	// Next takes the next entry that concerns the judge: readings of its points,
	// marks, starts, anchors, and its own Due.
	Next(Entry) []Finding
	// Due is the earliest moment of the running boot at which the judge wants
	// to be asked even if nothing is heard. It is void at the next Started.
	Due() (since time.Duration, ok bool)
}

// Putter is a judge whose Due, to cost a reading nothing, may lie before what it
// waits for, and only ever puts that off: PutOff looks up the moment itself. It
// must not change the judge.
type Putter interface {
	PutOff() (since time.Duration, ok bool)
}

// Outlooker is a judge that can say how its step stands: what the top of the
// screen shows. It must not change the judge.
type Outlooker interface {
	Outlook(at Instant) Outlook
}

// Outlook is how a step stands: one sentence, one number, one curve.
type Outlook struct {
	Sentence string // "Vacuum hold, 23 of 60 min. 312 micron and levelling off: looks dry and tight so far."
	Point    string // whose curve is shown
	Figure   float64
	Quantity sensors.Quantity
	HasFig   bool
	FigAt    Instant       // when the figure was taken
	Limit    *Setting      // drawn as a line, with its source
	Elapsed  time.Duration // since begin, gaps counted
	Lasts    time.Duration // 0: no set length
	Left     time.Duration // predicted time left; negative: not known
	Sure     string        // "sure", "likely", "too early to say"
	Trend    []TrendPoint  // the fitted model and its projection; may be empty
	Expected []TrendPoint  // of a pressure test: what a tight pipe would show at the temperatures measured, and its doubt
	Ledger   []Segment     // of a charge: what went in, stretch by stretch; the last one goes on
	Values   []Value       // further figures of the moment (superheat_k, energised_s, ...), shown beside the one above
	Units    []UnitStand   // of a step that looks at the indoor units one by one, in the site file's order
	Table    *Table        // of a branch check: who answered whom
	Next     *Ask          // what to ask of the units next; nil: nothing, or the step proposes nothing
}

// UnitStand is how one indoor unit stands in a step that judges each.
type UnitStand struct {
	Unit     string
	Asked    string  // off, fan, cool, heat; empty: nothing yet
	Result   string  // passed, failed, not-proven; empty: not judged yet
	Cause    string  // of the result
	Sentence string  // why that result, or what it still waits for
	Values   []Value // the figures behind it: supply_c, return_c, split_k, low_k, high_k, ...
	Steady   bool    // what is measured now has settled: it may be read off, and a carried probe moved on
}

// Table is the branch check's matrix: a row for each unit asked, a column for
// each unit measured, in the site file's order.
type Table struct {
	Units []string
	Cells [][]Cell // by row, then column
	Pairs []Pair   // crossings found so far
	Asked []string // to heat or cool, for long enough
	Dead  []string // asked and answered nowhere
	Leaks []Pair   // the column's room answered besides the right one
}

// Cell is how much warmer a room's supply air became for what was asked.
type Cell struct {
	ResponseK float64 // in the sense asked: above nought where it did what was asked
	Known     bool    // it was tried and measured
	Chosen    bool    // the assignment takes it
}

// Ask is one run of a plan: what to ask of each unit now.
type Ask struct {
	Run, Of  int    // from 1
	Sentence string // what to do, aloud
	Commands []Asked
	Left     time.Duration // until the next one; negative: it waits for the commands
}

// Asked is what is asked of one indoor unit: off, fan, cool or heat.
type Asked struct{ Unit, What string }

// Segment is one stretch of a charge's ledger: what left one cylinder between
// two events. Summed over a ledger, Low, Best and High give the whole charge
// from the system's first draw-in, its noise aside.
type Segment struct {
	Scale                 string        // the point; empty: the sum of the steps before this one
	Cylinder              int           // on that scale since the step's begin, from 1
	Since, Until          time.Duration // since the boot of the outlook's At; may lie before it
	FromKg, ToKg          float64       // what the scale showed, gross
	LowKg, BestKg, HighKg float64       // what went in
	// Ended says why the stretch ended: EndedSwap and so on; empty: it goes on.
	Ended string
	// Unseen: no scale saw it flow. FromKg and ToKg are then the weights before
	// and after; where they cannot be compared (the scale came back zeroed),
	// Low, Best and High are by the rate before.
	Unseen bool
}

// Bridged reports whether the weights before and after a stretch that no scale
// saw leave no doubt of what flowed in it: to less than a gram. What no scale
// saw and is bridged is weighed all the same.
func Bridged(lowKg, highKg float64) bool {
	const gram = 1e-3
	return highKg-lowKg < gram
}

// Why a segment of a charge's ledger ended.
const (
	EndedStep     = "step"      // the step before this one ended
	EndedSilence  = "silence"   // the scale fell silent, or showed the same weight while it flowed
	EndedHeard    = "heard"     // of an unseen stretch: the scale was heard again
	EndedSwap     = "swap"      // the cylinder was lifted off, or another one stands there
	EndedZeroed   = "zeroed"    // the scale was zeroed with the cylinder on it
	EndedShift    = "shift"     // the weight jumped and stayed: a hose laid on, a cylinder pushed
	EndedPowerCut = "power-cut" // the box was off
)

// TrendPoint is one point of a fitted curve with its band, in SI, at a time
// since the boot of the outlook's At.
type TrendPoint struct {
	Since           time.Duration
	Low, Best, High float64
}

// Rule judges one matter.
type Rule struct {
	Name  string
	Doc   string   // one sentence: what it judges
	Steps []string // nil: stands watch from every Started
	Flags []string // the flags it may raise
	Roles []string // roles of the points it reads; nil: every point of its system; empty: none
	Box   bool     // it stands watch over the box itself: one judge, with no system
	Begin func(Start) Judge
}

// Start is what a judge begins with.
type Start struct {
	System  string
	Step    Step  // zero for a standing rule
	Entry   Entry // the begin mark, or Started
	Points  []sensors.Point
	Plant   System  // what the site file says of the system
	Units   []Unit  // indoor units of the system
	PipeM3  float64 // volume of its lines, by the last take-off; 0: not known
	CoilsM3 float64 // of its indoor units' coils and its branch units, beside PipeM3; 0: not given
	Open    []Flag  // the rule's flags still open, for a standing rule that begins anew
	// OpenFor lists what a flag of a system is open for, as the entry is asked about; of a standing rule.
	OpenFor func(flag, system string) (subjects []string)
	// Given lists the system's verdicts by the time that it is asked; of a step's rule.
	Given   func() []Finding
	Earlier []Finding // verdicts given before on this system, the last of each step and unit
	// Began is when the step began: the mark's own time where it came late
	// (in the boot of Entry.At; it may be earlier than that boot), else Entry.At.
	Began Instant
	// Running are the steps of the system already under way; Commands is what
	// was last asked of each indoor unit (off, fan, cool, heat).
	Running  []Step
	Commands map[string]string
	AskedAt  map[string]Instant // since when that is asked
	Placed   []string           // notes of all marks of a carried instrument placed, in order
	Wall     int64              // Unix ms at the boot's beginning, by the newest proven anchor; 0: not known
	Zone     *time.Location     // the site's; nil: UTC
	Answered []string           // steps that a person answers for: reported as done before the box came, or accepted
	Others   []string           // names of the units of the site's other systems
	Swapped  uint64             // the sequence number of the last mark of a cylinder swapped; 0: none
	Isolated Instant            // when the system's pump was last said to be valved off, and nobody said since that it runs; zero: never
	Weighed  uint64             // the sequence number of the last verdict of another system's draw-in or weigh-in by the same scale; 0: none
	OneScale bool               // a charging scale serves several systems, for a standing rule
	between  *ledger            // since the system's last draw-in or weigh-in ended; nil: none did, or the box has started since
	weighed  []Measured         // of each point of Points, the newest weight before the begin in this boot; no point: none
	weigher  *weigher           // of a step: the ledger that its judges share
	ended    *ledger            // the newest of the weighing steps before, where the box has heard it
	Checks   *CheckList         // of the system, for a standing rule; read only; nil: the box's own points
	Said     *Calibrations      // of the instruments; read only
	Jobs     *Jobs              // of the site's systems, for a standing rule; read only
	Reads    []sensors.Point    // of a step: the points that its rules read by their roles
	Sealed   sealed             // pipework between the pressure test and valves-opened, for a standing rule that begins anew
}

// Unit is an indoor unit with the points that stand for it.
type Unit struct {
	Name, Room, Branch string
	Port               int
	Supply, Return     string  // points
	WetBulb, Humidity  string  // points; empty: none
	RoomM3             float64 // volume of the room that it serves; 0: not given
}

// Site is what the engine must know of the site file.
type Site struct {
	Name    string
	Systems []System
	Points  []sensors.Point
	Rules   map[string]map[string]Setting // standing rules' own settings, by rule
	Zone    *time.Location                // nil: UTC
	// Checks that no sensor sees, beside the trade's, and those that this job has not.
	OwnChecks  []Check
	DropChecks []string
}

// System is one refrigerant network. The name is empty where the site has only one unnamed system.
type System struct {
	Name          string
	Refrigerant   string
	Units         []Unit
	Steps         map[string]map[string]Setting // what the site file gives, by step
	PipeM3        float64                       // volume of the take-off's lines, without coils; 0: not known
	CoilsM3       float64                       // what the site file says that indoor and branch units hold; 0: not given
	RoomLimitKgM3 float64                       // the most charge a volume of room; 0: not given
	Runs          []Run                         // of the site file's take-off
	ExtraKg       float64                       // the maker's allowances beyond the lines
	FactoryKg     float64                       // what the outdoor units come with, as far as it is given
	FactoryOpen   []string                      // outdoor units of which it is not given
	HeatRecovery  bool                          // branch units give each room heat or cold
	Outdoor       []string                      // outdoor units
	Branches      []string                      // branch units
	GWP           float64                       // of the refrigerant, by the table that GWPSource names; 0: not given
	GWPSource     string                        // "IPCC AR4"
}
