// Package record makes the paper that a job ends with, from its journal alone:
// the record, the charge label, and the bundle that proves them.
//
// It goes one way. Read gathers what the journal holds of one job into a
// Record, which is data: what the CSV and the JSON print. Lay writes a Record
// as a Document: headings, sentences, tables, curves, in the order of the
// paper. A PDF and a page are two ways to draw the same Document, so that they
// cannot say different things. Nothing here asks a clock, a random source or
// the site file of the day: the same journal gives the same bytes.
package record
