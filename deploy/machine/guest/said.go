package main

import (
	"bufio"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// said is what the daemon says of a point now, on its page for Prometheus.
type said struct {
	health, reason string
	value          float64
	system         string
	known          bool // a value that can be used
	count          float64
}

const pages = "http://127.0.0.1:8080"

// client asks for no compression: over loopback it would be a good part of what the machine executes.
var client = &http.Client{Timeout: 5 * time.Second, Transport: &http.Transport{DisableCompression: true}}

// listen asks the daemon once.
func listen() (map[string]*said, error) {
	r, err := client.Get(pages + "/metrics")
	if err != nil {
		return nil, err
	}
	defer r.Body.Close()
	if r.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("/metrics answered %s", r.Status)
	}
	all := map[string]*said{}
	lines := bufio.NewScanner(r.Body)
	for lines.Scan() {
		name, labels, value, ok := metric(lines.Text())
		point := labels["point"]
		if !ok || point == "" || !strings.HasPrefix(name, "standwatch_point_") {
			continue
		}
		s := all[point]
		if s == nil {
			s = &said{system: labels["system"]}
			all[point] = s
		}
		switch name {
		case "standwatch_point_health":
			s.health, s.reason = labels["health"], labels["reason"]
		case "standwatch_point_readings_total":
			s.count = value
		case "standwatch_point_bad_readings_total", "standwatch_point_silent_after_seconds", "standwatch_point_last_sample_timestamp_seconds":
		default:
			s.value, s.known = value, true
		}
	}
	return all, lines.Err()
}

// metric takes a line of the text format apart. No label here holds a quote or a comma.
func metric(line string) (name string, labels map[string]string, value float64, ok bool) {
	if strings.HasPrefix(line, "#") {
		return "", nil, 0, false
	}
	head, rest, ok := strings.Cut(line, "} ")
	if !ok {
		return "", nil, 0, false
	}
	name, inside, _ := strings.Cut(head, "{")
	labels = map[string]string{}
	for pair := range strings.SplitSeq(inside, ",") {
		k, v, _ := strings.Cut(pair, "=")
		labels[k] = strings.Trim(v, `"`)
	}
	value, err := strconv.ParseFloat(rest, 64)
	return name, labels, value, err == nil
}
