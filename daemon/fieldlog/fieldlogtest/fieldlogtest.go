// Package fieldlogtest writes a journal's field log for tests: what
// `standwatch export` prints.
package fieldlogtest

import (
	"bytes"
	"context"
	"testing"

	"standwatch/daemon/fieldlog"
	"standwatch/daemon/journal"
	"standwatch/sensors"
)

// Of is a journal's whole field log.
func Of(t testing.TB, j *journal.Journal) []byte {
	t.Helper()
	ctx := context.WithoutCancel(t.Context()) // of a journal that a cleanup reads, too
	quantities, err := j.Quantities(ctx)
	if err != nil {
		t.Fatal(err)
	}
	anchors, err := j.Anchors(ctx)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	w := fieldlog.NewWriter(&out)
	rows := fieldlog.NewExport(func(point string) sensors.Quantity { return quantities[point] }, anchors.Wall)
	for e, err := range j.Entries(ctx, 1, 0, nil) {
		if err != nil {
			t.Fatal(err)
		}
		if row, ok := rows.Row(e); ok {
			if err := w.Write(row); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}
