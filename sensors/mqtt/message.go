package mqtt

import (
	"time"

	"standwatch/sensors"
)

// Limits of a payload. No instrument's single reading comes near the first;
// packs are many readings at once.
const (
	longestSingle = 4 << 10
	longestPack   = 64 << 10
)

// message is one received message, without the client it came by.
type message struct {
	topic    string
	payload  []byte
	retained bool // a broker's kept copy, of unknown age
	again    bool // DUP: sent again
	queued   bool // kept by the broker while the box was away
}

// old says why a message without a time of its own cannot count as measured
// now; empty: it can.
func (m message) old() string {
	switch {
	case m.retained:
		return sensors.ReasonRetained
	case m.again:
		return sensors.ReasonRedelivered
	case m.queued:
		return sensors.ReasonQueued
	}
	return ""
}

// dispatch is what one topic feeds. A topic may be several things at once.
type dispatch struct {
	feeds     []*feed // points whose readings come on it, in the order of the site file
	available []*feed // points whose availability is told on it
	batteries []*feed // points whose battery is told on it
	packs     int     // how many of the feeds take SenML packs
	names     names   // of the records they wait for
}

// dispatches prepares what each topic feeds.
func dispatches(feeds []*feed) map[string]*dispatch {
	topics := map[string]*dispatch{}
	at := func(topic string) *dispatch {
		if topics[topic] == nil {
			topics[topic] = &dispatch{names: names{}}
		}
		return topics[topic]
	}
	for _, f := range feeds {
		d := at(f.topic)
		d.feeds = append(d.feeds, f)
		if f.format == senml {
			d.packs++
			d.names.add(f.name)
			d.names.add(f.batteryName)
		}
		if t := f.availability.topic; t != "" {
			d := at(t)
			d.available = append(d.available, f)
		}
		if f.batteryTopic != "" {
			d := at(f.batteryTopic)
			d.batteries = append(d.batteries, f)
		}
	}
	return topics
}

// readings turns a message into readings, appended to rs. now is used for one
// thing only: SenML times that are relative to the moment of reception.
func (d *dispatch) readings(rs []sensors.Reading, m message, now time.Time, count func(string)) []sensors.Reading {
	for _, f := range d.batteries {
		if low, known := f.batteryState(plainNumber(m.payload)); known {
			f.low = low
		}
	}
	// Availability stands for the present even when retained: that is what
	// retaining it is for.
	for _, f := range d.available {
		if f.availability.says(m.payload) {
			rs = append(rs, failed(f, sensors.ReasonOffline))
		}
	}
	if len(d.feeds) == 0 {
		return rs
	}
	from := len(rs)
	rs = d.values(rs, m, now)
	if !m.retained {
		for _, r := range rs[from:] {
			if r.Health.Grade == sensors.Failed {
				count(counted(r.Health.Reason))
			}
		}
		return rs
	}
	// A retained message without a time of its own says nothing about now, and
	// an old failure nothing at all; they are counted, and are no readings.
	kept := rs[:from]
	for _, r := range rs[from:] {
		switch {
		case r.Own == 0:
			count("retained-without-time")
		case r.Health.Grade == sensors.Failed:
			count("retained-failure")
		default:
			kept = append(kept, r)
		}
	}
	return kept
}

func (d *dispatch) values(rs []sensors.Reading, m message, now time.Time) []sensors.Reading {
	if d.packs > 0 {
		rs = d.pack(rs, m, now)
		if d.packs == len(d.feeds) {
			return rs
		}
	}
	if len(m.payload) > longestSingle {
		return d.failAll(rs, sensors.ReasonOversize)
	}
	doc := validity(unknown)
	answered := false
	from := len(rs)
	for _, f := range d.feeds {
		switch f.format {
		case plain:
			rs = append(rs, f.mark(f.plainReading(m.payload), m))
			answered = true
		case jsonFormat:
			if doc == unknown {
				doc = check(m.payload)
			}
			if doc == invalid {
				rs = append(rs, failed(f, sensors.ReasonGarbage))
				continue
			}
			r, ok := f.jsonReading(m.payload)
			if ok {
				rs = append(rs, f.mark(r, m))
				answered = true
			}
		}
	}
	if !answered && len(rs) == from {
		// A message that feeds some of the topic's points leaves the others
		// silent; one that feeds none of them is a wrong message, or a wrong pointer.
		return d.failAll(rs, sensors.ReasonNotANumber)
	}
	return rs
}

type validity uint8

const (
	unknown validity = iota
	valid
	invalid
)

func check(payload []byte) validity {
	if validJSON(payload) {
		return valid
	}
	return invalid
}

// failAll fails every point of the topic that takes single readings.
func (d *dispatch) failAll(rs []sensors.Reading, reason string) []sensors.Reading {
	for _, f := range d.feeds {
		if f.format != senml {
			rs = append(rs, failed(f, reason))
		}
	}
	return rs
}

// counted is the name under which a failure is counted: one of a few, whatever
// instruments call their own faults.
func counted(reason string) string {
	switch reason {
	case sensors.ReasonGarbage, sensors.ReasonOversize, sensors.ReasonUnit, sensors.ReasonNotANumber, sensors.ReasonOffScale:
		return reason
	}
	return sensors.ReasonFault
}

func failed(f *feed, reason string) sensors.Reading {
	return sensors.Reading{Point: f.Name, Health: sensors.Health{Grade: sensors.Failed, Reason: reason}}
}

// mark lowers a value's health for how it came: what is not surely measured
// now counts most, then a time that could not be read, then the battery.
func (f *feed) mark(r sensors.Reading, m message) sensors.Reading {
	if r.Health.Grade == sensors.Failed {
		return r
	}
	suspect := func(reason string) { r.Health = sensors.Health{Grade: sensors.Suspect, Reason: reason} }
	switch old := m.old(); {
	case m.retained, old != "" && r.Own == 0:
		suspect(old)
	case r.Health.Grade == sensors.Good && f.low:
		suspect(sensors.ReasonBatteryLow)
	}
	return r
}

// reading makes a reading of a number in the unit told, or else in the point's.
func (f *feed) reading(value float64, unit string) sensors.Reading {
	if unit == "" {
		unit = f.Unit
	}
	return f.Quantity.Reading(f.Name, value, unit)
}

// says reports whether the payload tells that the instrument is gone.
func (a availability) says(payload []byte) (offline bool) {
	word := payload
	if a.value != nil {
		if !validJSON(payload) {
			return false
		}
		if word = a.value.find(payload); len(word) > 0 && word[0] == '"' {
			return text(word) == a.offline
		}
	}
	return string(trim(word)) == a.offline
}

// batteryState reads a battery's level; known is false where it is none.
func (f *feed) batteryState(level float64, unit string, ok bool) (low, known bool) {
	if unit == "" {
		unit = f.batteryUnit
	}
	switch {
	case !ok || level < 0:
		return false, false
	case unit == "%" || unit == "%EL" || unit == "" && level > 1:
		level /= 100
	}
	return level < f.batteryLow, level <= 1.05
}
