package main

import (
	"cmp"
	"context"
	"fmt"
	"path/filepath"
	"strconv"
	"text/tabwriter"
	"time"

	"standwatch/daemon"
	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

type pointsCommand struct {
	Config string `required:"" placeholder:"FILE" help:"The site file."`
	Data   string `placeholder:"DIR" help:"The journal's folder; without it the site file's, where it exists."`
}

// Run lists the points with their newest readings.
func (c pointsCommand) Run(ctx context.Context, o output) error {
	site, errs := daemon.Load(c.Config)
	if len(errs) > 0 {
		return faults(o.err, errs)
	}
	newest, err := newestReadings(ctx, c.Data, site)
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(o.out, 0, 8, 2, ' ', 0)
	fmt.Fprintln(w, "POINT\tMEASURES\tROLE\tEVERY\tSOURCE\tNEWEST\tTAKEN\tHEALTH")
	for _, p := range site.Points {
		value, taken, health := "-", "-", "nothing yet"
		if n, ok := newest[p.Name]; ok {
			health = n.Health.Grade.String()
			if n.Health.Reason != "" {
				health += " (" + n.Health.Reason + ")"
			}
			if n.Health.Grade != sensors.Failed {
				value = asSI(p.Quantity, n.Value)
				if shown, ok := asMeasured(p, n.Value); ok && shown != value {
					value = shown + " (" + value + ")"
				}
				if n.Value != n.shown {
					value += ", the instrument shows " + asSI(p.Quantity, n.shown)
				}
			}
			taken = n.taken.In(site.Zone).Format("2006-01-02 15:04:05")
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", p.Name, p.Quantity, cmp.Or(p.Role, "-"), p.Every, cmp.Or(p.Source, "replay only"), value, taken, health)
	}
	return w.Flush()
}

// asSI writes a value in SI: in full, and a ratio in percent.
func asSI(q sensors.Quantity, si float64) string {
	switch {
	case q == sensors.Contact && si >= 0.5:
		return "on"
	case q == sensors.Contact:
		return "off"
	case q == sensors.Humidity:
		return rules.Percent.Text(si)
	}
	return strconv.FormatFloat(si, 'f', -1, 64) + " " + q.SI()
}

// asMeasured writes an SI value in the unit that the instrument speaks; ok is
// false where that is the same.
func asMeasured(p sensors.Point, si float64) (shown string, ok bool) {
	none, err0 := p.Quantity.ToSI(0, p.Unit)
	one, err1 := p.Quantity.ToSI(1, p.Unit)
	if p.Unit == "" || err0 != nil || err1 != nil || none == 0 && one == 1 {
		return "", false
	}
	v := (si - none) / (one - none)
	if v, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 5, 64), 64); err == nil { // no instrument has more digits
		return strconv.FormatFloat(v, 'f', -1, 64) + " " + p.Unit, true
	}
	return "", false
}

type newestReading struct {
	rules.Measured // corrected by what is said of its instrument
	shown          float64
	taken          time.Time
}

// newestReadings looks through the journal's newest readings; without a
// journal there are none.
func newestReadings(ctx context.Context, given string, site *daemon.Site) (map[string]newestReading, error) {
	dir := given
	if dir == "" {
		if found, _ := filepath.Glob(filepath.Join(site.Box.Data, "*.db")); len(found) == 0 {
			return nil, nil
		}
		dir = site.Box.Data
	}
	r, err := journal.OpenReader(ctx, dir)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	anchors, err := r.Anchors(ctx)
	if err != nil {
		return nil, err
	}
	marks, err := r.Told(ctx, 0)
	if err != nil {
		return nil, err
	}
	said := rules.NewCalibrations(site.Site.Site)
	for _, e := range marks {
		if b, ok := e.Body.(*rules.Told); ok {
			said.Tell(e, b)
		}
	}
	quantities, err := r.Quantities(ctx)
	if err != nil {
		return nil, err
	}
	newest := map[string]newestReading{}
	for e, err := range r.Recent(ctx, 100_000) {
		if err != nil {
			return nil, err
		}
		m, ok := e.Body.(*rules.Measured)
		if !ok {
			continue
		}
		if _, have := newest[m.Point]; have {
			continue
		}
		ms, _ := anchors.Wall(rules.Instant{Boot: e.At.Boot, Since: m.Taken})
		shown := m.Value
		m.Reading = said.Correction(m.Point).Of(quantities[m.Point], m.Reading)
		newest[m.Point] = newestReading{*m, shown, time.UnixMilli(ms)}
	}
	return newest, nil
}
