package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/web"
	"standwatch/rules"
	"standwatch/sensors"
	"standwatch/sensors/mqtt"
)

// outward tells a broker how the box stands, for whatever else listens there:
//
//	standwatch/BOX/state                        online; offline by last will (retained)
//	standwatch/BOX/about                        which box of which site this is, and its points (retained)
//	standwatch/BOX/clock                        what the box's clock says, each 10 s (retained)
//	standwatch/BOX/step/SYSTEM/STEP             retained while under way; how it stands, each 10 s
//	standwatch/BOX/flag/SYSTEM/RULE/SUBJECT     retained while open
//	standwatch/BOX/verdict/SYSTEM/STEP          of the newest run of a step (retained); with /UNIT where
//	                                            each indoor unit has its own
//	standwatch/BOX/latest                       a SenML pack (RFC 8428) of the newest readings, each 10 s
//
// It tells states, not events: nothing waits for a broker that is away, and
// after each connection everything that holds is told anew and what no longer
// holds is emptied.
type outward struct {
	link    *mqtt.Publisher
	root    string // standwatch/BOX
	version string
	url     string // by which people reach the box's own page; empty: not known
	now     func() web.Snapshot
	watch   func() (<-chan struct{}, func())
	told    map[string]holding   // by topic, on this connection
	latest  time.Time            // when the readings were last told
	quiet   func() time.Duration // for how long nothing was kept, where the broker is within the box; nil: it is not
	mu      sync.Mutex
	trouble error
	done    time.Time
}

// holding is what a retained topic holds. What changes from moment to moment is
// told every latestEvery; a change of the key at once.
type holding struct{ payload, key string }

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
			up, o.told, o.latest = true, map[string]holding{}, time.Time{}
			o.link.Sweep(o.root+"/step", o.root+"/flag", o.root+"/verdict")
			o.tell("state", holding{"online", "online"}, false)
			o.states(o.now(), false) // not at the next change: while all instruments are silent there is none
		case topic := <-o.link.Left():
			o.sweep(topic)
		case <-changed:
			if up {
				o.states(o.now(), false)
			}
		case <-beat.C:
			if up && time.Since(o.latest) >= latestEvery {
				o.latest = time.Now()
				s := o.now()
				o.states(s, true)
				o.readings(s)
			}
			continue
		}
		select { // changes come in bursts: one look at the end of a beat serves them all
		case <-beat.C:
		case <-ctx.Done():
		}
	}
}

// tell publishes a retained state, if it is news on this connection; an empty
// one takes it away. It reports whether the broker took it.
func (o *outward) tell(topic string, is holding, whole bool) bool {
	if was, told := o.told[topic]; told && (was == is || !whole && was.key == is.key) || !told && is.payload == "" {
		return true
	}
	err := o.link.Publish(o.root+"/"+topic, true, []byte(is.payload))
	o.mu.Lock()
	defer o.mu.Unlock()
	if err != nil {
		o.trouble = err
		return false // the next look tells it again, and the next connection everything
	}
	o.trouble, o.done = nil, time.Now()
	if is.payload == "" {
		delete(o.told, topic)
	} else {
		o.told[topic] = is
	}
	return true
}

// states tells what holds, and empties what does not; whole: also what only
// goes on. A broker that does not answer is not asked again in the same round.
func (o *outward) states(s web.Snapshot, whole bool) {
	holds := o.holds(s, whole)
	for _, topic := range slices.Sorted(maps.Keys(holds)) {
		if !o.tell(topic, holds[topic], whole) {
			return
		}
	}
	for _, topic := range slices.Sorted(maps.Keys(o.told)) {
		if _, still := holds[topic]; !still && topic != "state" && !o.tell(topic, holding{}, true) {
			return
		}
	}
}

// sweep empties what an earlier run of the box left retained: topic, and all
// that have come with it, so that a heap of them does not stand for minutes.
func (o *outward) sweep(topic string) {
	holds := o.holds(o.now(), false)
	for more := true; more; {
		short, ok := strings.CutPrefix(topic, o.root+"/")
		if _, still := holds[short]; ok && !still {
			o.told[short] = holding{"left by an earlier run", ""}
			if !o.tell(short, holding{}, true) {
				return // it is found again at the next connection
			}
		}
		select {
		case topic = <-o.link.Left():
		default:
			more = false
		}
	}
}

// holds are the retained topics below standwatch/BOX that hold now.
func (o *outward) holds(s web.Snapshot, whole bool) map[string]holding {
	about := o.told["about"].payload
	if whole || about == "" { // it names every point, and changes hardly ever
		about = o.about(s)
	}
	clock := object(map[string]any{"type": "clock", "at": stamp(s.Wall), "proven": s.ClockProven})
	holds := map[string]holding{"about": {about, about}, "clock": {clock, ""}}
	for _, st := range s.Running {
		holds["step/"+level(st.System)+"/"+level(st.Name)] = outwardStep(s, st)
	}
	for _, f := range s.Flags {
		text := extended(f.Finding.JSON(f.Newest), map[string]any{"first": stamp(f.Raised), "acknowledged": f.Acknowledged, "by": f.By})
		holds["flag/"+level(f.System)+"/"+level(f.Flag.Flag)+"/"+level(f.Subject)] = holding{text, text}
	}
	judged := map[string]bool{} // steps whose newest run has been looked at
	for _, st := range slices.Concat(s.Running, s.Past) {
		topic := "verdict/" + level(st.System) + "/" + level(st.Name)
		if judged[topic] {
			continue
		}
		judged[topic] = true
		accepted := ""
		if n := len(st.Accepted); n > 0 {
			accepted = st.Accepted[n-1].By
		}
		for _, f := range st.Verdicts { // the last one of each unit counts
			text := extended(f.Finding.JSON(f.Wall), map[string]any{"accepted": len(st.Accepted) > 0, "accepted_by": accepted})
			at := topic
			if f.Unit != "" {
				at += "/" + level(f.Unit)
			}
			holds[at] = holding{text, text}
		}
	}
	return holds
}

// about says which box of which site this is.
func (o *outward) about(s web.Snapshot) string {
	type system struct {
		Name        string `json:"name"`
		Refrigerant string `json:"refrigerant"`
	}
	type point struct {
		Name     string  `json:"name"`
		System   string  `json:"system,omitempty"`
		Measures string  `json:"measures"`
		Role     string  `json:"role,omitempty"`
		Unit     string  `json:"unit,omitempty"`
		Every    float64 `json:"every_s"`
		Silent   float64 `json:"silent_after_s"`
	}
	systems, points := []system{}, []point{}
	for _, x := range s.Site.Systems {
		systems = append(systems, system{x.Name, x.Refrigerant})
	}
	for _, p := range s.Points {
		points = append(points, point{p.Name, p.System, p.Quantity.String(), p.Role, p.Unit, p.Every.Seconds(), p.SilentAfter.Seconds()})
	}
	zone := "UTC"
	if s.Zone != nil {
		zone = s.Zone.String()
	}
	return object(map[string]any{
		"type": "about", "box": s.BoxName, "site": s.Site.Name, "timezone": zone, "version": o.version, "url": o.url,
		"demo": s.Demo, "systems": systems, "points": points,
	})
}

// figureKeys are how the keys of figures end, by quantity.
var figureKeys = map[sensors.Quantity]string{
	sensors.Temperature: "c", sensors.Vacuum: "pa", sensors.Pressure: "pa", sensors.AbsolutePressure: "pa",
	sensors.Mass: "kg", sensors.Humidity: "ratio", sensors.Current: "a", sensors.Voltage: "v", sensors.Contact: "on",
}

// outwardStep is a step under way and how it stands.
func outwardStep(s web.Snapshot, st web.Step) holding {
	step := map[string]any{"type": "step", "at": stamp(st.Begun), "system": st.System, "step": st.Name, "state": "begun"}
	key := object(step)
	o := st.Outlook
	values := map[string]float64{}
	put := func(key string, v float64) {
		if !math.IsNaN(v) && !math.IsInf(v, 0) { // JSON has no word for them
			values[key] = rules.Num(v)
		}
	}
	for _, v := range o.Values {
		put(v.Key, v.Number)
	}
	values["elapsed_s"] = math.Round(o.Elapsed.Seconds())
	if o.Lasts > 0 {
		values["lasts_s"] = o.Lasts.Seconds()
	}
	if o.Left > 0 {
		values["left_s"] = math.Round(o.Left.Seconds())
	}
	if si := figureKeys[o.Quantity]; si != "" {
		step["measures"] = o.Quantity.String()
		if o.HasFig {
			put("figure_"+si, o.Figure)
			step["figure_at"] = stamp(st.FigureAt)
		}
		if o.Limit != nil {
			put("limit_"+si, o.Limit.Value)
			step["limit_source"] = o.Limit.Source
		}
	}
	if o.Point != "" {
		step["points"] = []string{o.Point}
	}
	step["text"], step["sure"], step["told"], step["values"] = o.Sentence, o.Sure, stamp(s.Wall), values
	return holding{object(step), key}
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z") }

// object writes what is made of strings, truth values and finite numbers.
func object(members any) string {
	b, err := json.Marshal(members)
	if err != nil {
		panic("daemon: what is told outward is not JSON: " + err.Error())
	}
	return string(b)
}

// extended is a JSON object with further members.
func extended(given []byte, members map[string]any) string {
	return strings.TrimSuffix(string(given), "}") + "," + strings.TrimPrefix(object(members), "{")
}

// level makes a name one level of a topic: what MQTT keeps for itself is replaced.
func level(name string) string {
	return strings.NewReplacer("/", "-", "+", "-", "#", "-").Replace(name)
}

// readings tells the newest usable reading of each point that is not silent.
func (o *outward) readings(s web.Snapshot) {
	pack, err := outwardPack(o.root, s)
	if err == nil && pack != nil {
		err = o.link.Publish(o.root+"/latest", false, pack)
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if err != nil {
		o.trouble = err
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
	away := o.link.Away()
	s := journal.FollowerState{Name: "outward:" + o.link.Broker(), LastDone: o.done, OK: away == "" && o.trouble == nil && !o.done.IsZero(), Sentence: "up to date"}
	switch {
	case away != "":
		s.Sentence = fmt.Sprintf("The broker is away: %s. The box goes on; what it tells is told whole at the next connection.", away)
	case o.trouble != nil && o.quiet != nil && o.quiet() > alive: // it lets everybody wait who publishes: nothing that was acknowledged may be lost
		s.Sentence = "The broker within the box takes nothing while readings are not being kept. Look at the journal and its disk; what the box tells is told once they are."
	case errors.Is(o.trouble, mqtt.ErrUnanswered):
		s.Sentence = "The broker is connected and does not answer; how the box stands is told again until it does. See whether it is overloaded, or its own disk is full."
	case o.trouble != nil:
		s.Sentence = fmt.Sprintf("The broker does not take how the box stands: %s. Its user needs the right to write %s/#, or set outward: false.", o.trouble, o.root)
	case o.done.IsZero():
		s.Sentence = "not connected yet"
	}
	return s
}
