package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"standwatch/daemon/fieldlog"
	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

type exportCommand struct {
	Data   string `required:"" placeholder:"DIR" help:"The journal's folder."`
	From   string `placeholder:"T" help:"Only what was taken at or after this time (RFC 3339)."`
	To     string `placeholder:"T" help:"Only what was taken before this time (RFC 3339)."`
	Points string `placeholder:"a,b" help:"Only readings of these points; marks stay."`
	JSON   bool   `name:"json" help:"One JSON object a line instead of CSV."`

	Corrected bool `help:"Readings as they were believed, by the correction that stood when each was taken, and not as the instrument gave them."`
}

// Run writes what is committed, in the journal's order.
func (c exportCommand) Run(ctx context.Context, o output) (err error) {
	from, err := when("from", c.From)
	if err != nil {
		return err
	}
	to, err := when("to", c.To)
	if err != nil {
		return err
	}
	if !from.IsZero() && !to.IsZero() && !from.Before(to) {
		return usagef("--from: %s is not before --to, %s: nothing could be written", c.From, c.To)
	}
	r, err := journal.OpenReader(ctx, c.Data)
	if err != nil {
		return err
	}
	defer r.Close()
	quantities, err := r.Quantities(ctx)
	if err != nil {
		return err
	}
	points, err := chosen(c.Points, quantities)
	if err != nil {
		return err
	}
	anchors, err := r.Anchors(ctx)
	if err != nil {
		return err
	}
	w := fieldlog.NewWriter(o.out)
	if c.JSON {
		w = fieldlog.NewJSONWriter(o.out)
	}
	defer func() { err = errors.Join(err, w.Flush()) }()
	rows := fieldlog.NewExport(func(point string) sensors.Quantity { return quantities[point] }, anchors.Wall)
	said := instruments(quantities)
	for e, err := range r.Entries(ctx, 1, 0, points) {
		if err != nil {
			return err
		}
		if c.Corrected {
			e.Body = corrected(e, said, quantities)
		}
		row, ok := rows.Row(e)
		if !ok || !from.IsZero() && row.Time < from.UnixMilli() || !to.IsZero() && row.Time >= to.UnixMilli() {
			continue
		}
		if err := w.Write(row); err != nil {
			return err
		}
	}
	return nil
}

// instruments are the journal's points, before anybody has spoken of what hangs there.
func instruments(quantities map[string]sensors.Quantity) *rules.Calibrations {
	var site rules.Site
	for _, name := range slices.Sorted(maps.Keys(quantities)) {
		site.Points = append(site.Points, sensors.Point{Name: name, Quantity: quantities[name]})
	}
	return rules.NewCalibrations(site)
}

// corrected is an entry's body as it was believed. What was said of an
// instrument becomes a plain note, so that who replays the log does not correct twice.
func corrected(e rules.Entry, said *rules.Calibrations, quantities map[string]sensors.Quantity) rules.Body {
	switch b := e.Body.(type) {
	case *rules.Measured:
		c := *b
		c.Reading = said.Correction(b.Point).Of(quantities[b.Point], b.Reading)
		return &c
	case *rules.Told:
		if m, ok := said.Tell(e, b); ok {
			c := *b
			c.Name, c.Value, c.Unit, c.Note = "note", 0, "", b.Name+": "+b.Note
			if m.What == rules.Corrected && m.Problem == "" {
				c.Note = fmt.Sprintf("%s: %s (%s)", b.Name, b.Note, m.Fix.Words(quantities[m.Point]))
			}
			return &c
		}
	}
	return e.Body
}

func when(flag, text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return t, usagef("--%s: %q is not a time; write it as 2026-06-12T20:00:00Z", flag, text)
	}
	return t, nil
}

// chosen splits a list of points and checks that the journal knows each.
func chosen(list string, known map[string]sensors.Quantity) ([]string, error) {
	if list == "" {
		return nil, nil
	}
	points := strings.Split(list, ",")
	for i, p := range points {
		points[i] = strings.TrimSpace(p)
		if _, ok := known[points[i]]; !ok {
			return nil, fmt.Errorf("the journal has no point %q; standwatch export without --points shows them all", points[i])
		}
	}
	return points, nil
}
