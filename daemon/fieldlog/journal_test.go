package fieldlog

import (
	"log/slog"
	"math/rand/v2"
	"testing"

	"standwatch/daemon/journal"
)

// The promise as people meet it: a log is replayed into a journal on disk and
// exported; that log into a new one and exported again: the same bytes.
func TestRoundTripsThroughJournalsAreExact(t *testing.T) {
	for seed := range uint64(12) {
		var night []Row // several batches and boots
		for part := range uint64(4) {
			rows, faults := readAll(t, randomLog(rand.New(rand.NewPCG(seed, 100+part))), site())
			if len(faults) > 0 {
				t.Fatal(faults)
			}
			night = append(night, rows...)
		}
		first := throughJournal(t, write(t, night))
		if second := throughJournal(t, first); second != first {
			t.Fatalf("seed %d: exported twice\n%s\n%s", seed, first, second)
		}
	}
}

func throughJournal(t *testing.T, text string) string {
	t.Helper()
	rows, faults := readAll(t, text, site())
	if len(faults) > 0 {
		t.Fatalf("%v\n%s", faults, text)
	}
	j, err := journal.Open(t.Context(), t.TempDir(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := j.Close(); err != nil {
			t.Error(err)
		}
	}()
	if err := j.Points(site().Points); err != nil {
		t.Fatal(err)
	}
	p := NewReplay(site())
	for _, row := range rows {
		if err := j.Append(p.Next(row), nil); err != nil {
			t.Fatalf("%+v: %v", row, err)
		}
	}
	anchors, err := j.Anchors(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	x := NewExport(quantity, anchors.Wall)
	var out []Row
	for e, err := range j.Entries(t.Context(), 1, 0, nil) {
		if err != nil {
			t.Fatal(err)
		}
		if row, ok := x.Row(e); ok {
			out = append(out, row)
		}
	}
	return write(t, out)
}
