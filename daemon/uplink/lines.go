package uplink

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/write"
	lineprotocol "github.com/influxdata/line-protocol"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// writer turns what the journal holds into lines.
type writer struct {
	box, site string
	points    map[string]sensors.Point
	buf       bytes.Buffer
}

func newWriter(box string, site rules.Site) *writer {
	w := &writer{box: box, site: site.Name, points: map[string]sensors.Point{}}
	for _, p := range site.Points {
		w.points[p.Name] = p
	}
	return w
}

// A seriesKey names the series within which stamps must differ.
type seriesKey struct{ kind, a, b, c, d string }

// reading writes one reading; ns is its stamp.
func (w *writer) reading(m *rules.Measured, p sensors.Point, ns int64) (string, error) {
	pt := w.point(p.Quantity.String(), [][2]string{{"point", p.Name}, {"role", p.Role}, {"system", p.System}})
	if m.Health.Grade != sensors.Failed {
		pt.AddField(p.Quantity.Field(), m.Value)
	}
	if m.Health.Grade != sensors.Good {
		health := m.Health.Grade.String()
		if m.Health.Reason != "" {
			health += ": " + m.Health.Reason
		}
		pt.AddField("health", clean(health))
	}
	return w.line(pt, ns)
}

// step writes a step's begin or end.
func (w *writer) step(t *rules.Told, ns int64) (string, error) {
	pt := w.point("step", [][2]string{{"step", t.Name}, {"system", t.System}})
	pt.AddField("state", t.Kind)
	text := t.Name + " began"
	if t.Kind == "end" {
		text = t.Name + " ended"
	}
	if t.Note != "" {
		text += ": " + t.Note
	}
	pt.AddField("text", clean(text))
	return w.line(pt, ns)
}

// finding writes a flag's edge or a verdict.
func (w *writer) finding(f journal.Stored, ns int64) (string, error) {
	kind := findingKind(f.Finding)
	tags := [][2]string{{"step", f.Step}, {"subject", f.Subject}, {"system", f.System}}
	if kind == "verdict" {
		tags = [][2]string{{"step", f.Flag}, {"system", f.System}, {"unit", f.Unit}}
	} else {
		tags = append(tags, [2]string{"rule", f.Flag})
	}
	pt := w.point(kind, tags)
	if kind == "verdict" {
		pt.AddField("result", f.Result)
		pt.AddField("cause", f.Cause)
	} else {
		pt.AddField("state", f.Edge.String())
		pt.AddField("urgency", f.Urgency.String())
	}
	pt.AddField("text", clean(f.Text))
	for _, v := range f.Values {
		pt.AddField(v.Key, v.Number)
	}
	return w.line(pt, ns)
}

func findingKind(f rules.Finding) string {
	if f.Edge == rules.Given {
		return "verdict"
	}
	return "flag"
}

// point begins a line with the box's and its own tags. Empty tags are left
// out: a store keeps no empty ones.
func (w *writer) point(measurement string, tags [][2]string) *write.Point {
	pt := write.NewPointWithMeasurement(measurement)
	for _, t := range append([][2]string{{"box", w.box}, {"site", w.site}}, tags...) {
		if v := tagValue(t[1]); v != "" {
			pt.AddTag(t[0], v)
		}
	}
	return pt.SortTags()
}

// line prints a point. A number that is none (which no source hands over) is
// an error here, since a store would answer yes and drop it.
func (w *writer) line(pt *write.Point, ns int64) (string, error) {
	pt.SetTime(time.Unix(0, ns))
	w.buf.Reset()
	e := lineprotocol.NewEncoder(&w.buf)
	e.FailOnFieldErr(true)
	if _, err := e.Encode(pt); err != nil {
		return "", fmt.Errorf("%s cannot be written as a line: %w", pt.Name(), err)
	}
	return strings.TrimSuffix(w.buf.String(), "\n"), nil
}

// tagValue makes a text fit for a tag: the protocol has no way to write a
// line break in one, and a backslash at the end would swallow what follows.
func tagValue(s string) string { return strings.TrimRight(clean(s), `\ `) }

// clean replaces what would break a line.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
}

// A store overwrites a point of the same series and stamp, which makes a
// resend harmless, but would also swallow the second of two readings taken in
// one millisecond. So the stamp is the millisecond plus the rank of the
// reading within it, in nanoseconds.
//
// A resend after a restart must give the same rank. Ranks therefore depend on
// the journal alone: the rank is how many earlier entries of the series, in
// this and the span before it, have the same millisecond, and spans are fixed
// stretches of sequence numbers. Whoever reads the journal from the beginning
// of the span before arrives at the same ranks. What is not told apart: two
// readings of one point with the very same millisecond of their own clock more
// than a whole span of entries apart.
type ranks struct {
	span         int64
	epoch        int64
	older, newer map[rankKey]uint32
}

type rankKey struct {
	series seriesKey
	ms     int64
}

// The spans: of entries about a minute at 200 readings a second.
const (
	entrySpan   = 16384
	findingSpan = 1024
)

func newRanks(span int64) *ranks {
	return &ranks{span: span, epoch: -2, older: map[rankKey]uint32{}, newer: map[rankKey]uint32{}}
}

// from is where reading must begin so that the rank of what follows the cursor is known.
func (r *ranks) from(cursor int64) int64 { return max(0, (cursor/r.span-1)*r.span) + 1 }

// next gives the rank of the entry at a position; positions only grow.
func (r *ranks) next(at int64, series seriesKey, ms int64) int64 {
	switch epoch := (at - 1) / r.span; {
	case epoch == r.epoch:
	case epoch == r.epoch+1:
		r.epoch, r.older, r.newer = epoch, r.newer, map[rankKey]uint32{}
	default:
		r.epoch, r.older, r.newer = epoch, map[rankKey]uint32{}, map[rankKey]uint32{}
	}
	k := rankKey{series, ms}
	rank := r.older[k] + r.newer[k]
	r.newer[k]++
	return int64(rank)
}

// stampable reports whether a moment can be told in nanoseconds at all.
func stampable(ms int64) bool {
	return ms > math.MinInt64/1_000_000+1 && ms < math.MaxInt64/1_000_000-1
}
