package record

import "time"

// Document is a paper before anybody has drawn it: blocks in reading order.
type Document struct {
	Title    string
	Subject  string    // one line under the title
	Language string    // BCP 47
	Foot     string    // on every page, before its number: site, system, job, the record's check sum
	Made     time.Time // of the last entry it rests on, in the site's zone: also the date in the file's own data
	Blocks   []Block
}

// Block is one piece of a Document.
type Block interface{ block() }

// Heading begins a part. Level is 1, 2 or 3.
type Heading struct {
	Level int
	Text  string
	ID    string // where a link leads: "vacuum-hold-2"
}

// Tone says how a paragraph is meant; it is drawn by weight and border, never by colour alone.
type Tone uint8

// From plain text to what must not be overlooked.
const (
	Plain   Tone = iota
	Small        // sources, foot notes
	Caution      // can hurt somebody
	Result       // a verdict: State is drawn before it
)

// Paragraph is running text.
type Paragraph struct {
	Tone  Tone
	State string // of a Result: passed, failed, not-proven, reported, accepted, open
	Text  string
}

// Facts are labels with what stands beside them.
type Facts []Fact

// Fact is one of them.
type Fact struct{ Label, Text string }

// Table is rows under headings. A cell holds text; a column of numbers is set to the right.
type Table struct {
	Caption string
	Label   string // what it is where the heading above says it, for who does not see the page
	Columns []Column
	Rows    [][]string
}

// Column is the head of one.
type Column struct {
	Title  string
	Number bool
	Wide   bool // takes what room is left
	Whole  bool // a name, which no line breaks
}

// Curve is measured over time, with what it was judged by.
type Curve struct {
	Title    string // a sentence: what is shown, of which point, over which time
	Unit     string // of the axis, as people read it
	Log      bool   // decades
	Begin    time.Time
	End      time.Time // both in the site's zone
	Lines    []Line
	Bands    []Band
	Limits   []Limit
	Ticks    []Tick     // marks, steps and flags, under the time axis
	Spans    []Span     // what a unit was asked to do, over the graph
	Axis     [2]float64 // what the axis of values reaches at least; both nought: what is drawn decides
	Describe string     // the same in words, for who cannot see it: first, lowest, highest, last
}

// Curves are small ones that are looked at together, several on a row: each has
// the same lines in the same order, and one legend stands over all of them.
type Curves struct {
	Title string
	Each  []Curve
	Note  string // under them: how they are read
}

// Span is a stretch of time in which something was asked.
type Span struct {
	From, To time.Time
	Name     string
	Full     bool // filled; else hatched
}

// Line is drawn through its points; a gap ends one stretch and begins another.
type Line struct {
	Name      string
	Model     bool // fitted, not measured: thin and dashed
	Stretches [][]Sample
}

// Sample is a value at a time, in the curve's unit.
type Sample struct {
	At    time.Time
	Value float64
}

// Band is what a model allows, from low to high.
type Band struct {
	Name string
	At   []time.Time
	Low  []float64
	High []float64
}

// Limit is a line across, with its name and source; the forbidden side is hatched.
type Limit struct {
	Value float64
	Label string // "500 micron (site file)"
	Above bool   // what lies above is forbidden
}

// Tick is something that happened.
type Tick struct {
	At    time.Time
	Label string
}

// Picture is a photo, as the journal keeps it: a JPEG without anything but its pixels.
type Picture struct {
	Size    int64                  // bytes
	Read    func() ([]byte, error) // it, while who laid the paper has the journal open; one is in memory at a time
	Caption string
}

// Signature is a name, and the hand's strokes where one was drawn, in a box of 1 by 1.
type Signature struct {
	Name, Role string
	Signed     time.Time // zero: not signed yet
	Strokes    [][]Dot
}

// Dot is a place in a Signature's box, from its upper left corner.
type Dot struct{ X, Y float64 }

// Break begins a new page on paper, and nothing on a screen.
type Break struct{}

func (Heading) block()   {}
func (Paragraph) block() {}
func (Facts) block()     {}
func (Table) block()     {}
func (Curve) block()     {}
func (Curves) block()    {}
func (Picture) block()   {}
func (Signature) block() {}
func (Break) block()     {}

// pictures is how many photos a paper has.
func (d Document) pictures() (n int) {
	for _, b := range d.Blocks {
		if _, ok := b.(Picture); ok {
			n++
		}
	}
	return n
}
