// Package simulate is a site that does not exist: one night at Quayside
// Library, from the first pump-down to the hand-over, as its instruments tell
// it over MQTT and as its technician marks it.
//
// A Night is pure: the same seed and scenario give the same messages, byte for
// byte. It models what happens (pump, hose, water, leak; a cylinder emptying
// through a hose; coils and rooms) and never what the rules will say of it.
// Its physics is written apart from rules/physics on purpose: a slip in one
// must not hide the same slip in the other.
//
// Play publishes a Night over one connection, in order, with the instruments'
// own times, and tells each mark only when all that came before it is kept.
// So the pace, and a busy machine, change nothing in what the box concludes.
package simulate
