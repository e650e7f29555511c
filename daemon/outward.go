package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/web"
	"standwatch/sensors"
	"standwatch/sensors/mqtt"
)

// outward tells a broker how the box stands, for whatever else listens there:
//
//	standwatch/BOX/state                        online; offline by last will (retained)
//	standwatch/BOX/step/SYSTEM/STEP             retained while under way
//	standwatch/BOX/flag/SYSTEM/RULE/SUBJECT     retained while open
//	standwatch/BOX/latest                       a SenML pack (RFC 8428) of the newest readings
//
// It tells states, not events: nothing waits for a broker that is away, and
// after each connection everything that holds is told anew and what no longer
// holds is emptied.
type outward struct {
	link    *mqtt.Publisher
	root    string // standwatch/BOX
	now     func() web.Snapshot
	watch   func() (<-chan struct{}, func())
	told    map[string]string // topic -> payload, on this connection
	latest  time.Time         // when the readings were last told
	mu      sync.Mutex
	trouble string
	done    time.Time
}

// How often at most the states are looked at, and the readings told.
const (
	outwardBeat = 500 * time.Millisecond
	latestEvery = 10 * time.Second
)

// Run connects and tells until ctx ends.
func (o *outward) Run(ctx context.Context) error {
	changed, stop := o.watch()
	defer stop()
	o.link.Connect()
	defer o.link.Close()
	beat := time.NewTicker(outwardBeat)
	defer beat.Stop()
	up := false
	for {
		select {
		case <-ctx.Done():
			if up {
				_ = o.link.Publish(o.root+"/state", true, []byte("offline")) // else the last will says it
			}
			return ctx.Err()
		case <-o.link.Up():
			up, o.told, o.latest = true, map[string]string{}, time.Time{}
			o.link.Sweep(o.root+"/step", o.root+"/flag")
			o.tell("state", "online")
			o.states(o.now()) // not at the next change: while all instruments are silent there is none
		case topic := <-o.link.Left():
			o.sweep(topic)
		case <-changed:
			if up {
				o.states(o.now())
			}
		case <-beat.C:
			if up && time.Since(o.latest) >= latestEvery {
				o.readings(o.now())
			}
			continue
		}
		select { // changes come in bursts: one look at the end of a beat serves them all
		case <-beat.C:
		case <-ctx.Done():
		}
	}
}

// tell publishes a retained state, if it is news on this connection; an empty one takes it away.
func (o *outward) tell(topic, payload string) {
	if o.told[topic] == payload {
		return
	}
	err := o.link.Publish(o.root+"/"+topic, true, []byte(payload))
	o.mu.Lock()
	defer o.mu.Unlock()
	if err != nil {
		o.trouble = err.Error()
		return // the next connection tells everything
	}
	o.trouble, o.done = "", time.Now()
	if payload == "" {
		delete(o.told, topic)
	} else {
		o.told[topic] = payload
	}
}

// states tells the steps under way and the open flags, and empties the others.
func (o *outward) states(s web.Snapshot) {
	holds := outwardStates(s)
	for _, topic := range slices.Sorted(maps.Keys(holds)) {
		o.tell(topic, holds[topic])
	}
	for topic := range o.told {
		if _, still := holds[topic]; !still && topic != "state" {
			o.tell(topic, "")
		}
	}
}

// sweep empties what an earlier run of the box left retained.
func (o *outward) sweep(topic string) {
	short, ok := strings.CutPrefix(topic, o.root+"/")
	if !ok {
		return
	}
	if _, holds := outwardStates(o.now())[short]; !holds {
		o.told[short] = "left by an earlier run"
		o.tell(short, "")
	}
}

// outwardStates are the retained topics below standwatch/BOX that hold now.
func outwardStates(s web.Snapshot) map[string]string {
	holds := map[string]string{}
	for _, st := range s.Running {
		b, _ := json.Marshal(struct { // of strings: it cannot fail
			Type   string `json:"type"`
			At     string `json:"at"`
			System string `json:"system"`
			Step   string `json:"step"`
			State  string `json:"state"`
		}{"step", st.Begun.UTC().Format("2006-01-02T15:04:05.000Z"), st.System, st.Name, "begun"})
		holds["step/"+level(st.System)+"/"+level(st.Name)] = string(b)
	}
	for _, f := range s.Flags {
		holds["flag/"+level(f.System)+"/"+level(f.Flag.Flag)+"/"+level(f.Subject)] = string(f.Finding.JSON(f.Newest))
	}
	return holds
}

// level makes a name one level of a topic: what MQTT keeps for itself is replaced.
func level(name string) string {
	return strings.NewReplacer("/", "-", "+", "-", "#", "-").Replace(name)
}

// readings tells the newest usable reading of each point that is not silent.
func (o *outward) readings(s web.Snapshot) {
	o.latest = time.Now()
	pack, err := outwardPack(o.root, s)
	if err == nil && pack != nil {
		err = o.link.Publish(o.root+"/latest", false, pack)
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if err != nil {
		o.trouble = err.Error()
	}
}

// senmlUnits are the units of RFC 8428, section 12.1.
var senmlUnits = map[sensors.Quantity]string{
	sensors.Temperature: "Cel", sensors.Vacuum: "Pa", sensors.Pressure: "Pa", sensors.AbsolutePressure: "Pa",
	sensors.Mass: "kg", sensors.Humidity: "/", sensors.Current: "A", sensors.Voltage: "V", sensors.Contact: "/",
}

// outwardPack is the SenML pack; nil where there is nothing to tell.
func outwardPack(root string, s web.Snapshot) ([]byte, error) {
	type record struct {
		BaseName string  `json:"bn,omitempty"`
		Name     string  `json:"n"`
		Unit     string  `json:"u"`
		Time     float64 `json:"t"` // Unix seconds
		Value    float64 `json:"v"`
	}
	var pack []record
	for _, p := range s.Points {
		if p.Taken.IsZero() || !p.Health.Usable() || p.SilentAfter > 0 && s.Wall.Sub(p.Heard) > p.SilentAfter {
			continue
		}
		pack = append(pack, record{Name: p.Name, Unit: senmlUnits[p.Quantity], Time: float64(p.Taken.UnixMilli()) / 1e3, Value: p.Value})
	}
	if len(pack) == 0 {
		return nil, nil
	}
	pack[0].BaseName = root + "/"
	return json.Marshal(pack)
}

// State says how the broker stands with what the box tells.
func (o *outward) State() journal.FollowerState {
	o.mu.Lock()
	defer o.mu.Unlock()
	s := journal.FollowerState{Name: "outward:" + o.link.Broker(), LastDone: o.done, OK: o.trouble == "" && !o.done.IsZero(), Sentence: "up to date"}
	switch {
	case o.trouble != "":
		s.Sentence = fmt.Sprintf("The broker does not take how the box stands: %s. Its user needs the right to write %s/#, or set outward: false.", o.trouble, o.root)
	case o.done.IsZero():
		s.Sentence = "not connected yet"
	}
	return s
}
