package daemon

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/fieldlog/fieldlogtest"
	"standwatch/daemon/journal"
	"standwatch/daemon/record"
	"standwatch/rules"
)

// visitOf replays the invented job of testdata/record as a visit: on another
// day, with other readings, under other names.
func visitOf(t *testing.T, change func(row []string), siteFile func(string) string) (*journal.Journal, rules.Site, string) {
	t.Helper()
	golden, dir := filepath.Join("..", "testdata", "record"), t.TempDir()
	site, err := os.ReadFile(filepath.Join(golden, "quayside.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(golden, "quayside.log.csv"))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows[1:] {
		if change != nil {
			change(r)
		}
	}
	var log bytes.Buffer
	if err := csv.NewWriter(&log).WriteAll(rows); err != nil {
		t.Fatal(err)
	}
	if siteFile != nil {
		site = []byte(siteFile(string(site)))
	}
	yaml, file, data := filepath.Join(dir, "site.yaml"), filepath.Join(dir, "log.csv"), filepath.Join(dir, "data")
	for name, body := range map[string][]byte{yaml: site, file: log.Bytes()} {
		if err := os.WriteFile(name, body, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	s, errs := Load(yaml)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	j, err := journal.Open(t.Context(), data, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := j.Close(); err != nil {
			t.Error(err)
		}
	})
	if _, err := Replay(t.Context(), ReplayParts{Site: s.Site.Site, Rules: rules.All(), Journal: j, Found: func(rules.Finding, time.Time) error { return nil }}, []string{file}); err != nil {
		t.Fatal(err)
	}
	return j, s.Site.Site, data
}

func readRecord(t *testing.T, j *journal.Journal) record.Record {
	t.Helper()
	rec, err := record.Read(t.Context(), &j.Reader, record.Which{})
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

// bundleOf writes a journal's bundle, and hands out its forms too.
func bundleOf(t *testing.T, j *journal.Journal, data string) (file string, forms []record.Form) {
	t.Helper()
	key, err := record.OpenKey(data)
	if err != nil {
		t.Fatal(err)
	}
	rec, forms, err := record.Forms(t.Context(), &j.Reader, record.Which{}, key)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.Create(filepath.Join(t.TempDir(), "bundle.zip"))
	if err != nil {
		t.Fatal(err)
	}
	_, err = record.Bundle(t.Context(), f, record.Bundled{Journal: &j.Reader, Key: key, Program: "test", Record: rec, Parts: record.PartsOf(forms)})
	if err = errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
	return f.Name(), forms
}

func visitIn(t *testing.T, file string) record.Visit {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	v, _, err := record.ReadVisit(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// tellIn tells a mark of a box that stands.
func tellIn(j *journal.Journal) func(context.Context, rules.Told) error {
	return func(ctx context.Context, b rules.Told) error {
		_, at, err := j.End(ctx)
		if err != nil {
			return err
		}
		return j.Append([]rules.Entry{{At: at, Body: &b}}, nil)
	}
}

// The next technician sees the old figures beside the new, for the same unit:
// what stands under Then is what the first visit's own paper printed, as
// another program reads it, and under Now what this one's does.
func TestAnEarlierVisitStandsBesideThisOne(t *testing.T) {
	first, site, data := visitOf(t, nil, nil)
	file, forms := bundleOf(t, first, data)
	later := func(row []string) {
		row[0] = strings.Replace(row[0], "2026-", "2027-", 1)
		if row[2] == "iu02" { // asked by its name
			row[2] = "iu07"
		}
		if v, err := strconv.ParseFloat(row[3], 64); err == nil && strings.HasSuffix(row[2], "-supply") {
			row[3] = strconv.FormatFloat(v-0.8, 'f', 2, 64)
		}
	}
	second, _, data2 := visitOf(t, later, func(s string) string {
		return strings.Replace(s, "iu02, room: Music room", "iu07, room: Music room", 1)
	})
	v := visitIn(t, file)
	if err := TakeIn(t.Context(), second, site, v, Taking{By: "Ines"}, tellIn(second)); err != nil {
		t.Fatal(err)
	}
	var already AlreadyError
	if err := TakeIn(t.Context(), second, site, v, Taking{By: "Rui"}, tellIn(second)); !errors.As(err, &already) || already.By != "Ines" {
		t.Errorf("twice: %v", err)
	}
	rec := readRecord(t, second)
	if len(rec.Earlier) != 1 {
		t.Fatalf("%d earlier visits", len(rec.Earlier))
	}
	e := rec.Earlier[0]
	if e.By != "Ines" || e.Bundle != v.Bundle || e.Key != v.Key || len(e.Changed) > 0 || !e.Kept || e.Made.Year() != 2026 || rec.Made.Year() != 2027 {
		t.Errorf("%+v", e)
	}
	if len(e.Units) != 1 || e.Units[0].Unit != "iu01" || e.Units[0].By != record.ByName || !slices.Equal(e.Gone, []string{"iu02 (Music room)"}) || !slices.Equal(e.New, []string{"iu07 (Music room)"}) {
		t.Errorf("%+v, gone %v, new %v", e.Units, e.Gone, e.New)
	}
	printed := func(forms []record.Form) string {
		var pdf bytes.Buffer
		if err := forms[0].Write(&pdf); err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command("pdftotext", "-raw", "-", "-")
		cmd.Stdin = &pdf
		text, err := cmd.Output()
		if err != nil {
			t.Fatalf("pdftotext: %v (deploy/needs paper installs it)", err)
		}
		return strings.Join(strings.Fields(string(text)), "")
	}
	own := printed(forms)
	file2, forms2 := bundleOf(t, second, data2)
	remade(t, file2)
	now := printed(forms2)
	compared, moved := 0, 0
	for _, block := range record.Lay(rec).Blocks {
		table, ok := block.(record.Table)
		if !ok || len(table.Columns) < 5 || table.Columns[2].Title != "Then" || table.Columns[4].Title != "Difference" {
			continue
		}
		for _, row := range table.Rows {
			then := strings.ReplaceAll(row[2], " ", "")
			if row[1] == "Return wet bulb" { // which a paper has in the judge's sentence alone, and in the unit that he speaks
				then, _, _ = strings.Cut(then, "°")
				then = "wetbulbof" + then
			}
			if then == "" || !strings.Contains(own, then) {
				t.Errorf("%v: the first visit's paper does not print %q", row, row[2])
			}
			for _, text := range row[2:] {
				if !strings.Contains(now, strings.ReplaceAll(text, " ", "")) {
					t.Errorf("%v: this visit's paper does not print %q", row, text)
				}
			}
			if row[0] == "iu01" && row[1] == "Supply air" && row[4] == "-0.8 K (-1.4 °F)" {
				moved++
			}
			compared++
		}
	}
	if compared < 20 || moved != 1 {
		t.Errorf("%d figures side by side, %d of them the supply air that was moved by 0.8 K", compared, moved)
	}
}

// remade holds that this visit's bundle carries what its record rests on, the
// earlier visit too: another journal made of it gives the same papers.
func remade(t *testing.T, file string) {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	v, err := record.Verify(bytes.NewReader(b), int64(len(b)))
	if err != nil || len(v.Faults) > 0 {
		t.Fatal(v.Faults, err)
	}
	if v.PhotosMissing != 0 {
		t.Errorf("%d photos are missing where none was taken", v.PhotosMissing)
	}
	made, faults, err := v.Remake(t.Context(), t.TempDir(), "test")
	if err != nil || len(faults) > 0 || len(made.Equal) < 6 {
		t.Errorf("%+v, %v, %v", made, faults, err)
	}
}

// What is not as it was signed, or not of this system, comes in by a person's word alone.
func TestABundleIsRefusedUntilAPersonAnswersForIt(t *testing.T) {
	first, _, data := visitOf(t, nil, nil)
	file, _ := bundleOf(t, first, data)
	good := visitIn(t, file)
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)/2] ^= 1
	if err := os.WriteFile(file, b, 0o644); err != nil {
		t.Fatal(err)
	}
	changed := visitIn(t, file)
	j, site, _ := visitOf(t, nil, func(s string) string { return strings.Replace(s, "Quayside Library", "Harbour School", 1) })
	tell := tellIn(j)
	for _, c := range []struct {
		what string
		v    record.Visit
		t    Taking
		want error
	}{
		{"another site", good, Taking{By: "Ines"}, ErrElsewhere},
		{"changed", changed, Taking{By: "Ines", Elsewhere: true}, ErrChanged},
		{"changed, without a name", changed, Taking{Reason: "the stick was wet", Elsewhere: true}, ErrChanged},
		{"changed and elsewhere", changed, Taking{By: "Ines", Reason: "the stick was wet"}, ErrElsewhere},
		{"another site, and it is right", good, Taking{Elsewhere: true}, nil},
		{"changed, and answered for", changed, Taking{By: "Ines", Reason: "the stick was wet, by the rain", Elsewhere: true}, nil},
	} {
		before, err := j.Last(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if err := TakeIn(t.Context(), j, site, c.v, c.t, tell); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.what, err, c.want)
		}
		if after, err := j.Last(t.Context()); err != nil || c.want != nil && after != before {
			t.Errorf("%s: refused, and the journal has %d entries more (%v)", c.what, after-before, err)
		}
	}
	rec := readRecord(t, j)
	if len(rec.Earlier) != 2 {
		t.Fatalf("%d earlier visits", len(rec.Earlier))
	}
	i := slices.IndexFunc(rec.Earlier, func(e record.Earlier) bool { return len(e.Changed) > 0 })
	if i < 0 || rec.Earlier[i].Reason != "the stick was wet, by the rain" || rec.Earlier[i].By != "Ines" || len(rec.Earlier[i].Doubts) != 1 {
		t.Errorf("%+v", rec.Earlier)
	}
	said := false
	for _, block := range record.Lay(rec).Blocks {
		p, ok := block.(record.Paragraph)
		said = said || ok && p.Tone == record.Caution && strings.HasPrefix(p.Text, "From a bundle that was changed")
	}
	if !said {
		t.Error("the paper does not say that the figures are from a bundle that was changed")
	}
}

// The mark goes with the field log, the figures stay with the journal that took
// them in: a journal made from the log says which bundle it lacks, and gives
// the same log again.
func TestAnEarlierVisitInAFieldLog(t *testing.T) {
	first, site, data := visitOf(t, nil, nil)
	file, _ := bundleOf(t, first, data)
	second, _, _ := visitOf(t, func(row []string) { row[0] = strings.Replace(row[0], "2026-", "2027-", 1) }, nil)
	if err := TakeIn(t.Context(), second, site, visitIn(t, file), Taking{By: "Ines"}, tellIn(second)); err != nil {
		t.Fatal(err)
	}
	log := fieldlogtest.Of(t, second)
	name := filepath.Join(t.TempDir(), "log.csv")
	if err := os.WriteFile(name, log, 0o644); err != nil {
		t.Fatal(err)
	}
	again, err := journal.Open(t.Context(), t.TempDir(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	if _, err := Replay(t.Context(), ReplayParts{Site: site, Rules: rules.All(), Journal: again, Found: func(rules.Finding, time.Time) error { return nil }}, []string{name}); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(fieldlogtest.Of(t, again), log) {
		t.Error("exported, replayed, exported again: other bytes")
	}
	e := readRecord(t, again).Earlier
	if len(e) != 1 || e[0].Kept || e[0].By != "Ines" || e[0].Bundle == "" || !strings.HasPrefix(e[0].What, "Quayside Library, job 1, 2026-06-12") || len(e[0].Figures) > 0 {
		t.Errorf("%+v", e)
	}
}
