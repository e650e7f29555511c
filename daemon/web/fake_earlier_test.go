package web

import (
	"context"
	"errors"
	"io"
	"strings"
	"time"

	"standwatch/daemon/record"
)

// fakeVisits has one visit beside the job, and reads a bundle by the words in it.
type fakeVisits struct{ taken []TakeVisit }

func number(v float64) *float64 { return &v }

func invented(v record.Visit) record.Visit {
	v.Bundle, v.Key = strings.Repeat("0c", 32), "be71 09cf 2a35 9282 8978 2d40 2591 c6d4 2be1 4488 4fc5 a4e3 24de 2382 c7b0 908d"
	v.Record = record.Record{Format: 1, Made: midnight.AddDate(-1, 0, 0), Site: "Quayside Library", System: record.System{Refrigerant: "R-410A"}, Job: record.Job{Number: 1},
		Signatures: []record.Signed{{Role: "technician", Name: "Ines"}}}
	return v
}

func (f *fakeVisits) Offer(_ context.Context, in io.Reader, fingerprint string) (record.Visit, error) {
	text, err := io.ReadAll(in)
	if err != nil {
		return record.Visit{}, err
	}
	switch said := string(text); {
	case strings.Contains(said, "letter"):
		return record.Visit{Changed: []string{"This is no bundle of a standwatch."}}, record.ErrNoFigures
	case strings.Contains(said, "large"):
		return record.Visit{}, ErrBundleLarge
	case strings.Contains(said, "room"):
		return record.Visit{}, ErrBundleRoom
	case strings.Contains(said, "broken"):
		return record.Visit{}, errors.New("the disk is full")
	case strings.Contains(said, "changed"):
		return invented(record.Visit{Changed: []string{"record.json was changed."}}), nil
	case strings.Contains(said, "elsewhere"):
		v := invented(record.Visit{})
		v.Record.Site = "Harbour School"
		return v, nil
	}
	v := invented(record.Visit{})
	if fingerprint == v.Key {
		v.Known = record.KeyGiven
	}
	return v, nil
}

func (f *fakeVisits) Take(_ context.Context, bundle string, t TakeVisit) error {
	switch bundle {
	case "":
		return ErrNotOffered
	case "twice":
		return ErrTakenAlready
	case "word":
		return ErrNotSaid
	}
	f.taken = append(f.taken, t)
	return nil
}

func (f *fakeVisits) Beside(_ context.Context, system string, _ int) ([]record.Earlier, error) {
	v := invented(record.Visit{})
	e := record.Earlier{Bundle: v.Bundle, By: "Rui", At: midnight, Kept: true, What: v.What(), Site: v.Record.Site, System: system, Refrigerant: "R-410A", Job: 1, Made: v.Record.Made, Signed: []string{"technician Ines"}, Key: v.Key,
		Steps: []record.StepBeside{{Step: "vacuum-hold", Then: "passed", ThenBegun: v.Record.Made, Now: "open", NowBegun: midnight}, {Step: "cooling-check", Then: "failed"}},
		Units: []record.Matched{{Unit: "iu01", Earlier: "iu01", By: record.ByName, Room: "Reading room", EarlierRoom: "Reading room"}, {Unit: "iu02", Earlier: "iu04", By: record.ByAddress, Room: "Map store", EarlierRoom: "Map store", Address: "2", EarlierAddress: "2"}},
		Gone:  []string{"iu09 (Workshop)"}, New: []string{"iu03 (Attic)"},
		Figures: []record.Beside{{Key: "total_kg", Then: number(23.47), Now: number(24.01), Difference: number(0.54)}, {Step: "take-off", Of: "liquid 12.7 mm (1/2 in)", Key: "run_length_m", Then: number(35)},
			{Step: "vacuum-hold", Key: "end_pa", Then: number(48), Now: number(56), Difference: number(8)}, {Step: "cooling-check", Key: record.OutdoorKey, Then: number(19), Now: number(27), Difference: number(8)}}}
	for _, unit := range []string{"iu01", "iu02"} {
		e.Figures = append(e.Figures, record.Beside{Step: "cooling-check", Unit: unit, Key: "return_c", Then: number(25), Now: number(24.6), Difference: number(-0.4)},
			record.Beside{Step: "cooling-check", Unit: unit, Key: "supply_c", Then: number(15.3), Now: number(15.8), Difference: number(0.5)}, record.Beside{Step: "cooling-check", Unit: unit, Key: "split_k", Then: number(9.7), Now: number(8.8), Difference: number(-0.9)})
	}
	old := record.Earlier{Bundle: strings.Repeat("1d", 32), By: "Rui", At: midnight.Add(-time.Hour), What: "Quayside Library, job 1, 2024-03-12"}
	return []record.Earlier{e, old}, nil
}
