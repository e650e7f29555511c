package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"standwatch/daemon"
	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// replay measures a log of one vacuum hold and its thermometers, first from
// CSV by the program itself, then from a journal by the engine.
func replay(b bench) error {
	x, err := newBox(b, "tcp://127.0.0.1:1883", oneReading, "")
	if err != nil {
		return err
	}
	defer x.close()
	rows := 10 * b.messages
	log := filepath.Join(x.dir, "log.csv")
	if err := writeLog(log, rows); err != nil {
		return err
	}
	c, err := startChild(filepath.Join(x.dir, "out"), b.program, "replay", "--json", "--site", x.file, log)
	if err != nil {
		return err
	}
	begun := time.Now()
	if err := c.wait(); err != nil {
		return err
	}
	fmt.Printf("  from CSV: %.0f readings/s (%d rows, the program's start included)\n", float64(rows)/time.Since(begun).Seconds(), rows)
	return replayJournal(x, rows)
}

var begin = time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)

func writeLog(name string, rows int) error {
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	w := bufio.NewWriter(f)
	fmt.Fprintln(w, "time,kind,name,value,unit,note")
	for i := range rows {
		at := begin.Add(time.Duration(i/points) * time.Second)
		fmt.Fprintf(w, "%s,reading,%s,%.2f,,\n", at.Format("2006-01-02T15:04:05.000Z"), pointName(i), celsius(i))
	}
	return errors.Join(w.Flush(), f.Close())
}

func replayJournal(x *box, rows int) error {
	ctx, cancel := context.WithTimeout(context.Background(), longestMeasure)
	defer cancel()
	site, faults := daemon.Load(x.file)
	if len(faults) > 0 {
		return errors.Join(faults...)
	}
	dir := filepath.Join(x.dir, "journal")
	if err := writeJournal(ctx, dir, site.Points, rows); err != nil {
		return err
	}
	r, err := journal.OpenReader(ctx, dir)
	if err != nil {
		return err
	}
	defer r.Close()
	for range 2 { // the second has the files in memory, as after a restart
		engine := rules.NewEngine(site.Site.Site, rules.All())
		begun, n, found := time.Now(), 0, 0
		for e, err := range r.Entries(ctx, 1, 0, nil) {
			if err != nil {
				return err
			}
			found += len(engine.Next(e))
			n++
		}
		fmt.Printf("  from the journal: %.0f readings/s (%d entries, %d findings, through every rule)\n", float64(n)/time.Since(begun).Seconds(), n, found)
	}
	return nil
}

func writeJournal(ctx context.Context, dir string, known []sensors.Point, rows int) (err error) {
	j, err := journal.Open(ctx, dir, quiet())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	if err := j.Points(known); err != nil {
		return err
	}
	at := rules.Instant{Boot: 1}
	if err := j.Append([]rules.Entry{{At: at, Body: &rules.Started{}}, {At: at, Body: &rules.Clocked{Wall: begin.UnixMilli(), Source: "log", Proven: true}}}, nil); err != nil {
		return err
	}
	batch := make([]rules.Entry, 0, 8192)
	for i := range rows {
		at.Since = time.Duration(i/points) * time.Second
		value := sensors.Temperature.Round(celsius(i))
		batch = append(batch, rules.Entry{At: at, Body: &rules.Measured{Reading: sensors.Reading{Point: pointName(i), Value: value}, Taken: at.Since}})
		if len(batch) == cap(batch) || i == rows-1 {
			if err := j.Append(batch, nil); err != nil {
				return err
			}
			batch = batch[:0]
		}
	}
	return nil
}
