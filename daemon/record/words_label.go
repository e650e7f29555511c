package record

import "standwatch/rules"

// What stands on a charge label.
const (
	labelTitle       = "CHARGE LABEL: keep inside the panel"
	labelSite        = "Site"
	labelSystem      = "System"
	labelJob         = "Job"
	labelRefrigerant = "Refrigerant"
	labelFactory     = "Factory"
	labelAdded       = "Added"
	labelTotal       = "TOTAL"
	labelBest        = "best estimate %s kg"
	labelLiquid      = "Liquid lines"
	labelGas         = "Gas lines"
	labelPressure    = "Pressure test"
	labelVacuum      = "Vacuum"
	labelDate        = "Charged on"
	labelSigned      = "Signed"
	labelKey         = "Record's key"
	labelLost        = "[?]: not ASCII, in this order: %s. The label as PDF shows them."
	labelMore        = "More stands in the record."
)

// Sentences on how far a label's figures can be trusted.
const (
	labelWeighed      = "weighed"
	labelPartWeighed  = "%s kg of it seen by no scale: estimated"
	labelAccepted     = "Accepted by %s"
	labelReported     = "reported, not measured by this box: %s"
	labelCalculated   = "Take-off: %s kg to be added"
	labelFactoryOpen  = "The site file does not say what each outdoor unit comes with"
	labelFactoryPart  = "The site file does not say what these come with: %s"
	labelUnderWay     = "The weigh-in is not ended: %s kg so far"
	labelAnother      = "Another weigh-in is under way"
	labelOnlyDrawn    = "Drawn in by weight so far: %s kg; the weigh-in is not done"
	labelEquivalent   = "GWP %s (%s): %s t CO2e"
	labelEquivalentNo = "GWP %s (%s); t CO2e = total kg x GWP / 1000"
)

// resultWords say a verdict's result.
var resultWords = map[string]string{rules.Passed: "passed", rules.NotPassed: "failed", rules.NotProven: "not proven"}

// labelCautions are short; the unit maker's instructions come first.
var labelCautions = []string{
	"Maker's instructions, local code and licensed practice come first. Recover, never vent. Nitrogen only for pressure tests, never oxygen or air. Panels stay live after isolation.",
}
