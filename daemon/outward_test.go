package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"standwatch/rules"
	"standwatch/sensors"
	"standwatch/sensors/mqtt"
)

const outwardSite = `
site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {name: main, refrigerant: R-410A}
box: {name: tells, data: data}
brokers:
  - name: own
    embedded: {users: [{name: reader, password: reader, publish: ["q/#", "standwatch/#"], subscribe: ["standwatch/#"]}]}
  - name: company
    embedded: {users: [{name: reader, password: reader, publish: ["standwatch/#"], subscribe: ["standwatch/#"]}]}
    outward: only
points:
  - {name: scale, measures: mass, role: charging-scale, unit: kg, every: 1s, silent_after: 1min, mqtt: {topic: q/scale}}
steps:
  weigh-in: {target: 14.2 kg}
`

// listener remembers what a broker tells of a box.
type listener struct {
	mu       sync.Mutex
	retained map[string]string
	packs    []string
}

func (l *listener) hear(_ paho.Client, m paho.Message) {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case strings.HasSuffix(m.Topic(), "/latest"):
		l.packs = append(l.packs, string(m.Payload()))
	case strings.Contains(m.Topic(), "/fence/"):
	case len(m.Payload()) == 0:
		delete(l.retained, m.Topic())
	default:
		l.retained[m.Topic()] = string(m.Payload())
	}
}

func (l *listener) topics() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	var ts []string
	for t := range l.retained {
		if t != "standwatch/tells/about" && t != "standwatch/tells/clock" {
			ts = append(ts, t)
		}
	}
	slices.Sort(ts)
	return ts
}

func (l *listener) on(topic string) string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.retained[topic]
}

func (l *listener) pack() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.packs) == 0 {
		return ""
	}
	return l.packs[len(l.packs)-1]
}

// A box tells its brokers of its state, steps, flags and newest readings, takes
// away what no longer holds, also from an earlier run, and goes offline in order.
// The one that no point is read from is told the same.
func TestOutward(t *testing.T) {
	for _, name := range []string{"own", "company"} {
		t.Run(name, func(t *testing.T) { tellsBroker(t, name) })
	}
}

func tellsBroker(t *testing.T, broker string) {
	dir := t.TempDir()
	file := filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(file, []byte(outwardSite), 0o600); err != nil {
		t.Fatal(err)
	}
	site, errs := Load(file)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	box, err := Open(t.Context(), site, Setup{Version: "v1", Log: slog.New(slog.NewTextHandler(t.Output(), nil))})
	if err != nil {
		t.Fatal(err)
	}
	l := &listener{retained: map[string]string{}}
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + box.Brokers[broker].Address()).
		SetClientID("reader").SetUsername("reader").SetPassword("reader"))
	done := func(tok paho.Token) {
		t.Helper()
		if !tok.WaitTimeout(2*time.Minute) || tok.Error() != nil {
			t.Fatalf("the reader: %v", tok.Error())
		}
	}
	done(client.Connect())
	defer client.Disconnect(100)
	// Left by an earlier run that was killed.
	done(client.Publish("standwatch/tells/flag/main/scale-silent/scale", 1, true, `{"old":true}`))
	for i := range 400 { // one a look would stand there for minutes
		done(client.Publish(fmt.Sprintf("standwatch/tells/flag/main/point-silent/gone%d", i), 1, true, `{"old":true}`))
	}
	done(client.Subscribe("standwatch/#", 1, l.hear))

	ctx, stop := context.WithCancel(t.Context())
	ran := make(chan error, 1)
	go func() { ran <- box.Run(ctx) }()
	until := func(what string, is func() bool) {
		t.Helper()
		for end := time.Now().Add(2 * time.Minute); !is(); time.Sleep(20 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("it never came to this: %s; retained are %v", what, l.topics())
			}
		}
	}
	holds := func(topics ...string) func() bool {
		return func() bool { return slices.Equal(l.topics(), topics) }
	}
	until("online, and the old flags taken away", holds("standwatch/tells/state"))
	if err := box.Tell(ctx, rules.Told{Kind: "begin", Name: "draw-in"}); err != nil {
		t.Fatal(err)
	}
	until("the step", holds("standwatch/tells/state", "standwatch/tells/step/main/draw-in"))
	for range 3 { // a low battery is a flag at once or after a few readings
		box.queue <- sensors.Delivery{Readings: []sensors.Reading{{Point: "scale", Value: 38.4,
			Health: sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonBatteryLow}}}}
		time.Sleep(300 * time.Millisecond)
	}
	flag := "standwatch/tells/flag/main/battery-low/scale"
	until("the flag", holds(flag, "standwatch/tells/state", "standwatch/tells/step/main/draw-in"))
	var object struct{ Type, Rule, State, System string }
	l.mu.Lock()
	text := l.retained[flag]
	l.mu.Unlock()
	if err := json.Unmarshal([]byte(text), &object); err != nil || object.Type != "flag" || object.Rule != "battery-low" || object.State != "raised" || object.System != "main" {
		t.Errorf("the flag is told as %s (%v)", text, err)
	}
	if text := l.on("standwatch/tells/about"); !strings.Contains(text, `"site":"Quayside Library"`) ||
		!strings.Contains(text, `{"name":"scale","system":"main","measures":"mass","role":"charging-scale","unit":"kg","every_s":1,"silent_after_s":60}`) ||
		!strings.Contains(text, `"timezone":"Europe/Lisbon"`) || !strings.Contains(text, `"version":"v1"`) {
		t.Errorf("about itself it tells %s", text)
	}
	if text := l.on("standwatch/tells/clock"); !strings.Contains(text, `"type":"clock"`) {
		t.Errorf("of its clock it tells %s", text)
	}
	var step struct {
		Type, At, System, Step, State, Text, Told string
		Values                                    map[string]float64
	}
	if err := json.Unmarshal([]byte(l.on("standwatch/tells/step/main/draw-in")), &step); err != nil || step.Type != "step" || step.State != "begun" ||
		step.Step != "draw-in" || step.System != "main" || step.Text == "" || step.Told == "" {
		t.Errorf("the step is told as %+v (%v)", step, err)
	}
	until("the readings", func() bool { return strings.Contains(l.pack(), `"bn":"standwatch/tells/","n":"scale","u":"kg"`) })
	if err := box.Tell(ctx, rules.Told{Kind: "end", Name: "draw-in"}); err != nil {
		t.Fatal(err)
	}
	verdict := "standwatch/tells/verdict/main/draw-in"
	until("the step taken away, and its verdict told", holds(flag, "standwatch/tells/state", verdict))
	if text := l.on(verdict); !strings.Contains(text, `"type":"verdict"`) || !strings.Contains(text, `"accepted":false`) {
		t.Errorf("the verdict is told as %s", text)
	}
	stop()
	if err := <-ran; err != nil {
		t.Fatal(err)
	}
	until("offline", func() bool {
		l.mu.Lock()
		defer l.mu.Unlock()
		return l.retained["standwatch/tells/state"] == "offline"
	})
	if err := box.Close(); err != nil {
		t.Fatal(err)
	}
}

// A broker that does not take what the box tells is a matter of rights only where it says
// so by hanging up; the box's own lets everybody wait while nothing is kept.
func TestWhyABrokerDoesNotTakeHowTheBoxStands(t *testing.T) {
	entry := sensors.Node{Kind: sensors.Mapping, Fields: []sensors.Field{{Key: "url", Value: sensors.Node{Kind: sensors.Scalar, Text: "tcp://127.0.0.1:1"}}}}
	link, _, err := mqtt.NewPublisher(sensors.Env{}, sensors.Config{Name: "own", Box: "tells", Device: entry}, "standwatch/tells/state")
	if err != nil {
		t.Fatal(err)
	}
	full := func() time.Duration { return time.Hour }
	well := func() time.Duration { return time.Second }
	for _, c := range []struct {
		trouble error
		quiet   func() time.Duration
		want    string
	}{
		{mqtt.ErrUnanswered, full, "while readings are not being kept"},
		{mqtt.ErrUnanswered, well, "does not answer"},
		{mqtt.ErrUnanswered, nil, "does not answer"},
		{errors.New("the connection was lost"), well, "the right to write standwatch/tells/#"},
		{errors.New("the connection was lost"), nil, "the right to write standwatch/tells/#"},
	} {
		o := &outward{link: link, root: "standwatch/tells", trouble: c.trouble, quiet: c.quiet}
		if s := o.State(); s.OK || !strings.Contains(s.Sentence, c.want) || strings.Contains(s.Sentence, "right to write") != strings.Contains(c.want, "right") {
			t.Errorf("%v: %q, want %q", c.trouble, s.Sentence, c.want)
		}
	}
}
