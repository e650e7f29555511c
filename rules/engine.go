package rules

import "standwatch/sensors"

// Engine applies entries to judges, in order.
type Engine struct{}

// NewEngine makes an engine for a site with the given rules, in their order.
func NewEngine(site Site, rules []Rule) *Engine { return &Engine{} }

// Resume tells a new engine which flags were open before its first entry.
func (e *Engine) Resume(open []Flag) {}

// Next applies one entry: first every deadline strictly before its At, then
// the entry itself. It returns the findings in order.
func (e *Engine) Next(Entry) []Finding { return nil }

// Due is the earliest deadline of the running boot.
func (e *Engine) Due() (Instant, bool) { return Instant{}, false }

// Open returns the open flags in the order they were first raised.
func (e *Engine) Open() []Flag { return nil }

// Running returns the steps under way with their begin marks' moments.
func (e *Engine) Running() []Running { return nil }

// Running is a step under way and how it stands.
type Running struct {
	Step
	Since Instant
}

// Outlooks says how each running step stands, in the order begun; a step nobody can speak for yet has a plain sentence.
func (e *Engine) Outlooks(at Instant) []StepOutlook { return nil }

// StepOutlook is a running step's outlook.
type StepOutlook struct {
	Running
	Outlook
}

// All lists the rules, in the order in which they are asked.
func All() []Rule { return nil }

// Limit is one setting that a step (or a standing rule) knows: its key in the
// site file, its dimension, its default and where that comes from.
type Limit struct {
	Step, Key string
	Dimension sensors.Dimension // NoDimension: a word of Words
	Quantity  sensors.Quantity  // where gauge or absolute matters; else NoQuantity
	Words     []string
	Default   float64
	HasDef    bool
	Source    string // of the default
	Doc       string
}

// Limits is the table of every step's settings; the site file is checked against it.
func Limits() []Limit { return nil }

// StepNames lists the steps in the usual order.
func StepNames() []string { return nil }

// Settings returns a step's settings: the site's where given, else the defaults.
func (s Site) Settings(system, step string) map[string]Setting { return nil }
