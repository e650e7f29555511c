package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// The fleet that is measured: more boxes than a company starts up at
// once, each with as many points as a middling site, and some pages left open.
const (
	fleetBoxes  = 200
	fleetPoints = 60
	fleetLinks  = 4 // connections that speak for the boxes
	fleetPages  = 10
)

// fleet measures the board: what 200 boxes that tell their state cost it.
func fleet(b bench) error {
	m, err := startMosquitto(b.dir)
	if err != nil {
		return err
	}
	defer m.stop()
	port, err := freePort()
	if err != nil {
		return err
	}
	conf := filepath.Join(b.dir, "board.yaml")
	if err := os.WriteFile(conf, fmt.Appendf(nil, "board: {name: Desk, listen: \"127.0.0.1:%s\"}\nbrokers: {company: {url: %q}}\n", port, m.url), 0o600); err != nil {
		return err
	}
	board, err := startChild(filepath.Join(b.dir, "board.log"), b.program, "board", "--config", conf)
	if err != nil {
		return err
	}
	defer func() { _ = board.stop() }()
	if err := waitDial("127.0.0.1:"+port, 10*time.Second); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Duration(b.seconds)*time.Second+longestMeasure)
	defer cancel()
	var links []mqtt.Client
	for i := range fleetLinks {
		c, err := dial(m.url, fmt.Sprintf("fleet-%d", i), true)
		if err != nil {
			return err
		}
		defer c.Disconnect(100)
		links = append(links, c)
	}
	page := "http://127.0.0.1:" + port
	begun := time.Now()
	for i := range fleetBoxes {
		if err := introduce(links[i%fleetLinks], i); err != nil {
			return err
		}
	}
	if err := shows(ctx, page, fmt.Sprintf("Boxes: %d.", fleetBoxes)); err != nil {
		return err
	}
	fmt.Printf("  %d boxes of %d points known %.1f s after the first one spoke\n", fleetBoxes, fleetPoints, time.Since(begun).Seconds())
	pid := board.cmd.Process.Pid
	telling := make(chan error, 1)
	go func() { telling <- tellOn(ctx, links) }()
	time.Sleep(10 * time.Second) // each has told its readings once
	for _, open := range []int{0, fleetPages} {
		stop := leaveOpen(ctx, page, open)
		before, begun := used(pid), time.Now()
		time.Sleep(time.Duration(b.seconds) * time.Second)
		share := (used(pid) - before).Seconds() / time.Since(begun).Seconds()
		status := fmt.Sprintf("/proc/%d/status", pid)
		fmt.Printf("  with %d pages open: %.2f %% of one core over %d s, %s resident (at most %s)\n", open, 100*share, b.seconds,
			procField(status, "VmRSS"), procField(status, "VmHWM"))
		stop()
	}
	if err := pageTimes(ctx, page); err != nil {
		return err
	}
	cancel()
	if err := <-telling; err != nil {
		return err
	}
	return board.stop()
}

func boxName(i int) string { return fmt.Sprintf("box-%03d", i) }

// introduce tells what a box tells once.
func introduce(c mqtt.Client, i int) error {
	name, now := boxName(i), time.Now().UTC().Format(time.RFC3339)
	points := []map[string]any{}
	for p := range fleetPoints {
		points = append(points, map[string]any{"name": pointName(p), "system": "main", "measures": "temperature", "role": "supply-air", "unit": "C", "every_s": 5, "silent_after_s": 25})
	}
	about, err := json.Marshal(map[string]any{"type": "about", "box": name, "site": "Site " + name, "timezone": "Europe/Lisbon", "version": "bench",
		"systems": []map[string]string{{"name": "main", "refrigerant": "R-410A"}}, "points": points})
	if err != nil {
		return err
	}
	told := map[string][]byte{"state": []byte("online"), "about": about}
	for f := range i % 4 {
		told[fmt.Sprintf("flag/main/point-silent/t%03d", f)] = fmt.Appendf(nil, `{"type":"flag","at":%q,"rule":"point-silent","state":"raised","urgency":"tell","system":"main","step":"","subject":"t%03d","points":["t%03d"],"text":"Silent for 23 min. What it measures is not seen. Look at its battery, or bring it nearer.","values":{"silent_s":1380},"first":%q,"acknowledged":false,"by":""}`, now, f, f, now)
	}
	told["verdict/main/pressure-test"] = fmt.Appendf(nil, `{"type":"verdict","at":%q,"system":"main","step":"pressure-test","result":"passed","cause":"none","text":"The pressure held for 24 h.","values":{"start_pa":3792000,"end_pa":3791000}}`, now)
	for topic, payload := range told {
		if t := c.Publish("standwatch/"+name+"/"+topic, 1, true, payload); !t.WaitTimeout(10*time.Second) || t.Error() != nil {
			return fmt.Errorf("telling %s: %w", topic, t.Error())
		}
	}
	return nil
}

// tellOn tells what boxes tell each 10 s, spread over that time, until ctx ends.
func tellOn(ctx context.Context, links []mqtt.Client) error {
	every := time.NewTicker(10 * time.Second / fleetBoxes)
	defer every.Stop()
	began := time.Now()
	for i := 0; ; i++ {
		select {
		case <-ctx.Done():
			return nil
		case <-every.C:
		}
		c, root, now := links[i%fleetLinks], "standwatch/"+boxName(i%fleetBoxes), time.Now().UTC()
		stamp := now.Format(time.RFC3339)
		var pack strings.Builder
		for p := range fleetPoints {
			fmt.Fprintf(&pack, `,{"n":%q,"u":"Cel","t":%d,"v":%g}`, pointName(p), now.Unix(), celsius(i+p))
		}
		latest := `[{"bn":"` + root + `/",` + pack.String()[2:] + "]"
		step := fmt.Sprintf(`{"type":"step","at":%q,"system":"main","step":"cooling-check","state":"begun","text":"Cooling check, %d s: 9 of 24 rooms good, 2 poor.","told":%q,"points":["t000"],"measures":"temperature","sure":"likely","figure_at":%q,"values":{"elapsed_s":%d,"figure_c":%g}}`,
			began.UTC().Format(time.RFC3339), int(time.Since(began).Seconds()), stamp, stamp, int(time.Since(began).Seconds()), celsius(i))
		c.Publish(root+"/clock", 1, true, fmt.Sprintf(`{"type":"clock","at":%q,"proven":true}`, stamp))
		c.Publish(root+"/step/main/cooling-check", 1, true, step)
		if t := c.Publish(root+"/latest", 1, false, latest); !t.WaitTimeout(10*time.Second) || t.Error() != nil {
			return fmt.Errorf("telling: %w", t.Error())
		}
	}
}

// shows waits for a page to hold a text.
func shows(ctx context.Context, page, text string) error {
	for {
		body, err := fetched(ctx, page)
		if err != nil {
			return err
		}
		if strings.Contains(string(body), text) {
			return nil
		}
		time.Sleep(50 * time.Millisecond)
	}
}

func fetched(ctx context.Context, address string) ([]byte, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return nil, err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	return io.ReadAll(resp.Body)
}

// leaveOpen follows the list as so many open pages do, and says what came when it stops.
func leaveOpen(ctx context.Context, page string, n int) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	var wg sync.WaitGroup
	var mu sync.Mutex
	bytes, begun := 0, time.Now()
	for range n {
		wg.Go(func() {
			req, err := http.NewRequestWithContext(ctx, http.MethodGet, page+"/stream?page=boxes", nil)
			if err != nil {
				return
			}
			resp, err := http.DefaultClient.Do(req)
			if err != nil {
				return
			}
			defer resp.Body.Close()
			lines := bufio.NewReader(resp.Body)
			for {
				line, err := lines.ReadString('\n')
				if err != nil {
					return
				}
				mu.Lock()
				bytes += len(line)
				mu.Unlock()
			}
		})
	}
	return func() {
		cancel()
		wg.Wait()
		if n > 0 {
			fmt.Printf("  each of them got %.1f kB/s\n", float64(bytes)/1e3/float64(n)/time.Since(begun).Seconds())
		}
	}
}

// pageTimes asks for the list and one box a hundred times.
func pageTimes(ctx context.Context, page string) error {
	for _, path := range []string{"/", "/boxes/company/box-007"} {
		var took []time.Duration
		size := 0
		for range 100 {
			begun := time.Now()
			body, err := fetched(ctx, page+path)
			if err != nil {
				return err
			}
			took, size = append(took, time.Since(begun)), len(body)
		}
		slices.Sort(took)
		fmt.Printf("  %s: %.1f ms at the median, %.1f ms at the 99th percentile, %.1f kB before packing\n", path,
			took[50].Seconds()*1e3, took[98].Seconds()*1e3, float64(size)/1e3)
	}
	return nil
}
