package record

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"
)

// manyUnits is an invented cooling check of so many units, every seventh failed.
func manyUnits(n int) Record {
	begun := time.Date(2026, 6, 17, 2, 0, 0, 0, time.UTC)
	s := Step{Step: "cooling-check", Number: 1, Begun: begun, Ended: begun.Add(time.Hour), State: "failed", Sentence: "Invented."}
	graph := func(point string, level float64) *Graph {
		g := &Graph{Point: point, From: begun, To: s.Ended, Lines: [][]Sample{nil}}
		for m := range mostBrief {
			g.Lines[0] = append(g.Lines[0], Sample{begun.Add(time.Duration(m) * 20 * time.Second), level + float64(m%7)/10})
		}
		g.Lowest, g.Highest = g.Lines[0][0], g.Lines[0][6]
		return g
	}
	for i := range n {
		u := UnitGraph{Unit: fmt.Sprintf("iu%03d", i+1), Room: fmt.Sprintf("Room %d", i+1), Supply: graph("s", 13), Return: graph("r", 24),
			Judged: begun.Add(20 * time.Minute), Result: "passed", LowK: 9, HighK: 13, Known: true}
		if i%7 == 6 {
			u.Result = "failed"
		}
		s.Airs = append(s.Airs, u)
	}
	return Record{Site: "Quayside Library", Steps: []Step{s}, Made: s.Ended}
}

// The curves of sixty units take a few pages, each unit is named on the paper,
// and of more units than are drawn those that failed are.
func TestCurvesOfManyUnits(t *testing.T) {
	pages := func(n int, p Paper) (int, string) {
		var b bytes.Buffer
		if err := PDF(&b, Lay(manyUnits(n)), p); err != nil {
			t.Fatal(err)
		}
		if b.Len() > 1_000_000 {
			t.Errorf("%d units: %d bytes", n, b.Len())
		}
		return bytes.Count(b.Bytes(), []byte("/Type /Page\n")), textOf(t, b.Bytes(), "-raw")
	}
	for _, p := range []Paper{A4, Letter} {
		none, _ := pages(0, p)
		sixty, text := pages(60, p)
		if sixty-none > 4 {
			t.Errorf("%s: the curves of 60 units take %d pages", p.Name, sixty-none)
		}
		for i := range 60 {
			if name := fmt.Sprintf("iu%03d, Room %d: ", i+1, i+1); !strings.Contains(text, name) {
				t.Errorf("%s: the paper lacks %q", p.Name, name)
			}
		}
	}
	_, text := pages(200, A4)
	for i := 6; i < 200; i += 7 {
		if name := fmt.Sprintf("iu%03d, Room %d: failed", i+1, i+1); !strings.Contains(text, name) {
			t.Errorf("the paper lacks %q", name)
		}
	}
	if n := strings.Count(text, ", Room "); n != mostUnitsDrawn {
		t.Errorf("%d units are drawn, want %d", n, mostUnitsDrawn)
	}
}

// The band of a small curve is where the supply was to lie: below the return in
// cooling, above it in heating.
func TestWhereTheSupplyIsGood(t *testing.T) {
	u := manyUnits(1).Steps[0].Airs[0]
	same := func(v float64) float64 { return v }
	if b := goodSupply(u, same)[0]; b.Low[0] != 24-13 || b.High[0] != 24-9 {
		t.Errorf("cooling: %v to %v, want 11 to 15", b.Low[0], b.High[0])
	}
	u.Heating = true
	if b := goodSupply(u, same)[0]; b.Low[0] != 24+9 || b.High[0] != 24+13 {
		t.Errorf("heating: %v to %v, want 33 to 37", b.Low[0], b.High[0])
	}
}
