package rules

import (
	"reflect"
	"testing"
	"time"
)

// A ledger that goes on from another has memory of its own: that one may hear on.
func TestALedgerThatGoesOnSharesNothing(t *testing.T) {
	ss := func() []sample { return make([]sample, 1, 4) }
	p := &platform{point: "scale", rows: make([]Segment, 1, 4), begun: ss(), good: ss(), pending: ss(), aside: ss(), fast: ss(), put: ss(),
		empties: make([]weight, 1, 4), joint: &joint{begun: ss()}, blind: &blind{}, firstHeard: &firstHeard{}, leant: &leant{}, from: &sample{}, spanned: &spanned{}}
	p.good[0].t = time.Second
	c, ok := (&ledger{platforms: []*platform{p}}).goesOn(Start{})
	if !ok {
		t.Fatal("it does not go on")
	}
	q := c.platforms[0]
	was, is := reflect.ValueOf(*p), reflect.ValueOf(*q)
	for i := range was.NumField() {
		switch name := was.Type().Field(i).Name; was.Field(i).Kind() {
		case reflect.Slice, reflect.Pointer, reflect.Map:
			if was.Field(i).IsNil() {
				t.Errorf("fill %s here", name)
			} else if was.Field(i).Pointer() == is.Field(i).Pointer() && name != "from" && name != "leant" && name != "firstHeard" && name != "spanned" { // which nobody writes to
				t.Errorf("both write to one %s", name)
			}
		}
	}
	if &q.joint.begun[0] == &p.joint.begun[0] {
		t.Error("both write to one joint's readings")
	}
}
