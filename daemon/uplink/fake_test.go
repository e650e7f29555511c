package uplink

import (
	"context"
	"fmt"
	"iter"
	"sync"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// memory is a journal in memory: what a follower may ask, and nothing else.
type memory struct {
	mu       sync.Mutex
	entries  []rules.Entry
	findings []journal.Stored
	cursors  map[string]int64
	moves    []string // every move of a cursor
	aside    map[string][]string
	frozen   map[string]int64
	anchors  map[uint32]int64 // proven ones
	changed  chan struct{}
}

func newMemory() *memory {
	return &memory{cursors: map[string]int64{}, aside: map[string][]string{}, frozen: map[string]int64{}, anchors: map[uint32]int64{}, changed: make(chan struct{})}
}

func (m *memory) did() { close(m.changed); m.changed = make(chan struct{}) }

func (m *memory) add(es ...rules.Entry) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, e := range es {
		e.Seq = uint64(len(m.entries) + 1)
		m.entries = append(m.entries, e)
	}
	m.did()
}

func (m *memory) find(fs ...rules.Finding) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, f := range fs {
		m.findings = append(m.findings, journal.Stored{ID: int64(len(m.findings) + 1), Finding: f})
	}
	m.did()
}

func (m *memory) prove(boot uint32, offset int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if _, ok := m.anchors[boot]; !ok {
		m.anchors[boot] = offset
	}
	m.did()
}

func (m *memory) Entries(ctx context.Context, from, to uint64, points []string) iter.Seq2[rules.Entry, error] {
	return func(yield func(rules.Entry, error) bool) {
		m.mu.Lock()
		es := m.entries
		m.mu.Unlock()
		for _, e := range es[min(int(from)-1, len(es)):] {
			if e.Seq >= from && (to == 0 || e.Seq <= to) && !yield(e, nil) {
				return
			}
		}
	}
}

func (m *memory) Told(_ context.Context, after uint64) (marks []rules.Entry, _ error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, e := range m.entries {
		if _, ok := e.Body.(*rules.Told); ok && e.Seq > after {
			marks = append(marks, e)
		}
	}
	return marks, nil
}

func (m *memory) Findings(ctx context.Context, after int64, limit int) ([]journal.Stored, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	rest := m.findings[min(int(after), len(m.findings)):]
	return rest[:min(limit, len(rest))], nil
}

func (m *memory) Last(context.Context) (uint64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return uint64(len(m.entries)), nil
}

func (m *memory) Changed() <-chan struct{} {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.changed
}

func (m *memory) Cursor(ctx context.Context, name string) (int64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.cursors[name], nil
}

func (m *memory) SetCursor(name string, at int64) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if at < m.cursors[name] {
		return fmt.Errorf("cursor %s went back from %d to %d", name, m.cursors[name], at)
	}
	m.cursors[name] = at
	m.moves = append(m.moves, fmt.Sprintf("%s %d", name, at))
	return nil
}

func (m *memory) Freeze(follower string, boot uint32) (int64, bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	offset, ok := m.anchors[boot]
	return offset, ok, nil
}

func (m *memory) Quarantine(follower string, item, reason string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.aside[follower] = append(m.aside[follower], item+" | "+reason)
	return nil
}

func (m *memory) Quarantined(ctx context.Context, follower string) (int64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return int64(len(m.aside[follower])), nil
}

func (m *memory) cursor(name string) int64 { at, _ := m.Cursor(context.Background(), name); return at }

func (m *memory) set(follower string) []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]string(nil), m.aside[follower]...)
}

// measured is a reading heard ms after boot 1.
func measured(point string, value float64, ms int64) rules.Entry {
	at := time.Duration(ms) * time.Millisecond
	return rules.Entry{At: rules.Instant{Boot: 1, Since: at}, Body: &rules.Measured{Reading: sensors.Reading{Point: point, Value: value}, Taken: at}}
}

func quay() rules.Site {
	return rules.Site{Name: "Quayside Library", Points: []sensors.Point{
		{Name: "gauge", System: "north", Quantity: sensors.Vacuum, Role: "vacuum-gauge"},
		{Name: "scale", System: "north", Quantity: sensors.Mass, Role: "charging-scale"},
		{Name: "hall", Quantity: sensors.Temperature},
	}}
}
