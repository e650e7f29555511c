package daemon

import (
	"context"
	"maps"
	"net/http"
	"runtime"
	"slices"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"standwatch/daemon/web"
	"standwatch/rules"
	"standwatch/sensors"
)

// figures are numbers of the box's inside that no screen shows.
type figures struct {
	commits, duplicates   int64
	queued                int // deliveries that wait for the loop
	journalBytes, walByte int64
	quiet                 time.Duration     // since the loop last turned with all that was due kept
	diskFree              float64           // the part of the journal's disk; below 0: not known
	odd                   map[string]uint64 // counters of odd things by name
}

// Metrics serves the box's health and its points' freshness to Prometheus.
func (d *Daemon) Metrics() http.Handler {
	return newMetrics(d.Now, d.figures, d.parts.Version)
}

func (d *Daemon) figures() figures {
	f := figures{commits: d.loop.commits.Load(), duplicates: d.loop.duplicate.Load(), queued: len(d.queue), odd: d.devices.counted(),
		quiet: d.loop.quiet(), diskFree: -1}
	if d.parts.Data != "" {
		if part, err := diskFree(d.parts.Data); err == nil {
			f.diskFree = part
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if db, wal, err := d.parts.Journal.Size(ctx); err == nil { // else the sizes are 0, which no journal has
		f.journalBytes, f.walByte = db, wal
	}
	return f
}

// newMetrics makes the handler, on a registry of its own.
func newMetrics(now func() web.Snapshot, more func() figures, version string) http.Handler {
	r := prometheus.NewRegistry()
	r.MustRegister(&collector{now, more, version}, collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), collectors.NewGoCollector())
	return promhttp.HandlerFor(r, promhttp.HandlerOpts{MaxRequestsInFlight: 4})
}

// collector makes every metric anew at each scrape, so that what is no longer
// true is no longer told: a gauge that keeps the last value of a dead
// instrument makes it look alive. No metric carries a time of its own, since
// that would switch off Prometheus' own notion of staleness.
type collector struct {
	now     func() web.Snapshot
	more    func() figures
	version string
}

// metric describes one metric.
func metric(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("standwatch_"+name, help, labels, nil)
}

// Describe sends nothing: which metrics there are depends on what is fresh.
func (*collector) Describe(chan<- *prometheus.Desc) {}

// Collect implements prometheus.Collector.
func (c *collector) Collect(out chan<- prometheus.Metric) {
	e := emitter{out}
	s := c.now()
	e.gauge(metric("build_info", "The program's version.", "version", "goversion"), 1, c.version, runtime.Version())
	e.box(s)
	e.figures(c.more())
	e.flags(s.Flags)
	e.outward(s)
	for _, p := range s.Points {
		e.point(p, s.Wall)
	}
}

type emitter struct{ out chan<- prometheus.Metric }

func (e emitter) gauge(d *prometheus.Desc, v float64, labels ...string) {
	e.out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
}

func (e emitter) counter(d *prometheus.Desc, v float64, labels ...string) {
	e.out <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, v, labels...)
}

// instant sends a moment, if there was one yet.
func (e emitter) instant(d *prometheus.Desc, t time.Time, labels ...string) {
	if !t.IsZero() {
		e.gauge(d, float64(t.UnixMilli())/1e3, labels...)
	}
}

func (e emitter) box(s web.Snapshot) {
	e.counter(metric("journal_entries_total", "Entries in the journal: its newest sequence number."), float64(s.Kept))
	e.instant(metric("last_commit_timestamp_seconds", "When the journal last took an entry, by the box's clock."), s.KeptAt)
	e.gauge(metric("clock_proven", "1 while the box's wall clock can be believed."), truth(s.ClockProven))
	e.gauge(metric("steps_running", "Steps under way."), float64(len(s.Running)))
}

func (e emitter) figures(f figures) {
	e.counter(metric("commits_total", "Commits to the journal since the program started."), float64(f.commits))
	e.counter(metric("duplicate_readings_total", "Readings dropped because they had come before."), float64(f.duplicates))
	e.gauge(metric("queue_deliveries", "Deliveries that wait for the loop."), float64(f.queued))
	e.gauge(metric("not_kept_seconds", "How long ago all that was due was last durable: some seconds at most, on a box that is well."), f.quiet.Seconds())
	if f.diskFree >= 0 {
		e.gauge(metric("disk_free_ratio", "The part of the journal's disk that the box may still fill."), f.diskFree)
	}
	e.gauge(metric("journal_size_bytes", "Size of the journal's database."), float64(f.journalBytes))
	e.gauge(metric("journal_wal_size_bytes", "Size of the journal's write-ahead log."), float64(f.walByte))
	odd := metric("odd_things_total", "Things that should not come, by what they were.", "what")
	for _, what := range slices.Sorted(maps.Keys(f.odd)) {
		e.counter(odd, float64(f.odd[what]), what)
	}
}

func (e emitter) flags(open []web.Flag) {
	n, alone := map[rules.Urgency]int{}, map[rules.Urgency]int{}
	for _, f := range open {
		n[f.Urgency]++
		if !f.Acknowledged {
			alone[f.Urgency]++
		}
	}
	d := metric("flags_open", "Flags raised and not cleared, by urgency.", "urgency")
	nobody := metric("flags_unacknowledged", "Of these, flags that nobody has acknowledged, by urgency.", "urgency")
	for _, u := range []rules.Urgency{rules.Note, rules.Tell, rules.Wake} {
		e.gauge(d, float64(n[u]), u.String())
		e.gauge(nobody, float64(alone[u]), u.String())
	}
}

func (e emitter) outward(s web.Snapshot) {
	up := metric("device_up", "1 while a broker or bus works.", "device")
	for _, d := range s.Devices {
		e.gauge(up, truth(d.OK), d.Name)
	}
	ok := metric("follower_up", "1 while what leaves the box is taken on the other side.", "follower")
	waiting := metric("follower_waiting", "Entries or messages not taken yet.", "follower")
	aside := metric("follower_quarantined", "Lines or messages refused for good; the newest 10,000 are kept.", "follower")
	last := metric("follower_last_success_timestamp_seconds", "When something was last taken, by the machine's clock.", "follower")
	for _, f := range s.Outward {
		e.gauge(ok, truth(f.OK), f.Name)
		e.gauge(waiting, float64(f.Waiting), f.Name)
		e.gauge(aside, float64(f.Quarantined), f.Name)
		e.instant(last, f.LastDone, f.Name)
	}
}

// values names each quantity's metric by Prometheus' conventions: base units,
// which for mass are grams since kilograms carry a prefix
// (prometheus.io/docs/practices/naming), and absolute pressure, by a gauge for vacuum or
// by a transducer, under names other than that of gauge pressure.
var values = map[sensors.Quantity]struct {
	name, help string
	scale      float64
}{
	sensors.Temperature:      {"temperature_celsius", "Temperature.", 1},
	sensors.Vacuum:           {"vacuum_pascals", "Absolute pressure by a vacuum gauge.", 1},
	sensors.Pressure:         {"pressure_pascals", "Gauge pressure: above the atmosphere.", 1},
	sensors.AbsolutePressure: {"absolute_pressure_pascals", "Absolute pressure.", 1},
	sensors.Mass:             {"mass_grams", "Mass.", 1000},
	sensors.Humidity:         {"humidity_ratio", "Relative humidity.", 1},
	sensors.Current:          {"current_amperes", "Electric current.", 1},
	sensors.Voltage:          {"voltage_volts", "Voltage.", 1},
	sensors.Contact:          {"contact_closed", "1 while a contact is closed.", 1},
}

func (e emitter) point(p web.Point, now time.Time) {
	names := []string{"point", "system", "role"}
	labels := []string{p.Name, p.System, p.Role}
	e.counter(metric("point_readings_total", "Readings of the point since the program started.", names...), float64(p.Count), labels...)
	e.counter(metric("point_bad_readings_total", "Readings of the point that were suspect or failed.", names...), float64(p.Bad), labels...)
	e.gauge(metric("point_silent_after_seconds", "How long the point may be silent.", names...), p.SilentAfter.Seconds(), labels...)
	if p.Taken.IsZero() {
		return
	}
	e.instant(metric("point_last_sample_timestamp_seconds", "When the newest reading was taken, by the box's clock.", names...), p.Taken, labels...)
	e.gauge(metric("point_health", "1, for the health of the newest reading.", append(names, "health", "reason")...), 1,
		append(labels, p.Health.Grade.String(), p.Health.Reason)...)
	v, known := values[p.Quantity]
	if known && fresh(p, now) && p.Health.Usable() {
		e.gauge(metric("point_"+v.name, v.help+" Corrected by the point's calibration. Absent while the point is silent or its reading cannot be used.", names...), p.Value*v.scale, labels...)
	}
}

// fresh reports whether the point has spoken within its longest allowed silence.
func fresh(p web.Point, now time.Time) bool {
	return !p.Heard.IsZero() && now.Sub(p.Heard) <= p.SilentAfter
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
