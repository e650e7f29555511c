package fieldlog

import (
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// Replay turns rows into the journal entries that the box would have made, in
// the order given. The first row begins boot 1, a power cut the next.
type Replay struct {
	site    rules.Site
	seq     uint64
	boot    uint32
	offset  int64 // Unix ms at the boot's beginning
	now     int64 // Unix ms: the greatest time the box has known in this boot
	entries []rules.Entry
	slab    []rules.Measured // readings side by side: one allocation a thousand
}

// NewReplay begins a replay of a site's log.
func NewReplay(site rules.Site) *Replay { return &Replay{site: site} }

// Wall returns the Unix ms of a moment of the running boot.
func (p *Replay) Wall(at rules.Instant) int64 { return p.offset + at.Since.Milliseconds() }

// Next returns a row's entries, numbered from 1. The slice is valid until the
// next call; what the entries point to stays.
func (p *Replay) Next(row Row) []rules.Entry {
	p.entries = p.entries[:0]
	known := row.Time
	if row.HasKnown {
		known = row.Known
	}
	if p.boot == 0 {
		p.begin(known, &rules.Started{})
	}
	if row.Kind == Mark && row.Name == powerCut {
		started := &rules.Started{}
		if row.Note != unproven {
			known = max(known, p.now)
			started.Gap, started.GapKnown = time.Duration(known-p.now)*time.Millisecond, true
			started.Same = row.Note == restarted
		}
		p.begin(known, started)
		return p.entries
	}
	p.now = max(p.now, known)
	p.add(p.body(row))
	return p.entries
}

// begin starts a boot at a wall time. Without a proof of the gap's length the
// wall clock of the boot before does not bind the new one.
func (p *Replay) begin(wall int64, started *rules.Started) {
	p.boot++
	p.offset, p.now = wall, wall
	p.add(started)
	p.add(&rules.Clocked{Wall: wall, Source: "log", Proven: true})
}

func (p *Replay) add(b rules.Body) {
	p.seq++
	at := rules.Instant{Boot: p.boot, Since: time.Duration(p.now-p.offset) * time.Millisecond}
	p.entries = append(p.entries, rules.Entry{Seq: p.seq, At: at, Body: b})
}

func (p *Replay) body(row Row) rules.Body {
	if row.Kind == Reading {
		if len(p.slab) == cap(p.slab) {
			p.slab = make([]rules.Measured, 0, 1024)
		}
		p.slab = append(p.slab, rules.Measured{
			Reading: sensors.Reading{Point: row.Name, Value: row.Value, Health: row.health(), Own: row.Time},
			Taken:   time.Duration(row.Time-p.offset) * time.Millisecond,
		})
		return &p.slab[len(p.slab)-1]
	}
	told := &rules.Told{Kind: row.Kind, Name: row.Name, System: row.System, Value: row.Value, Unit: row.Unit, Note: row.Note, Own: row.Time}
	if row.Kind == Begin {
		told.Limits = p.site.Settings(row.System, row.Name)
	}
	return told
}
