package simulate

import (
	"fmt"
	"math"
	"time"
)

// stamp is how the instruments write a time.
const stamp = "2006-01-02T15:04:05.000Z"

// publish adds a message taken a few ms into the second.
func (n *Night) publish(topic string, ms int64, payload func(own time.Time) []byte) {
	own := n.begin.Add(n.t + time.Duration(ms)*time.Millisecond)
	n.now.Messages = append(n.now.Messages, Message{Topic: "quayside/" + topic, Payload: payload(own), Own: own.UnixMilli()})
}

// measure lets every instrument whose turn it is speak. The barometer is the
// night's steady tick: what the demo calls now moves at least with it.
func (n *Night) measure() {
	second := int(n.t / time.Second)
	n.publish("barometer", 0, n.barometerJSON)
	if second%2 == 0 {
		n.publish("gauge", 120, n.gaugeJSON)
	} else if !n.scale.asleep {
		n.publish("scale", 340, n.scaleJSON)
	} else {
		n.scale.read(n.gross())
	}
	switch second % 10 {
	case 1:
		n.publish("outdoor", 560, n.outdoorPack)
	case 3, 5, 7:
		b := second%10/2 - 1
		n.roomsLive(b)
		n.publish(fmt.Sprintf("bu%d", b+1), 700, func(own time.Time) []byte { return n.branchPack(b, own) })
	}
}

func (n *Night) next(what string) uint64 {
	n.seq[what]++
	return n.seq[what]
}

func (n *Night) barometerJSON(own time.Time) []byte {
	pa := n.outdoor.barometer + n.barometerNoise.next()
	return fmt.Appendf(nil, `{"seq":%d,"time":"%s","hPa":%.2f}`, n.next("barometer"), own.Format(stamp), pa/100)
}

func (n *Night) gaugeJSON(own time.Time) []byte {
	micron := n.stub * (1 + n.gaugeNoise.next()) / micronPa
	digit := 1.0
	if micron >= 10000 {
		digit = 100
	} else if micron >= 1000 {
		digit = 10
	}
	return fmt.Appendf(nil, `{"seq":%d,"time":"%s","vacuum":%.0f,"unit":"micron","battery":81}`,
		n.next("gauge"), own.Format(stamp), to(digit, math.Min(25000, micron)))
}

func (n *Night) scaleJSON(own time.Time) []byte {
	kg := n.scale.read(n.gross())
	return fmt.Appendf(nil, `{"seq":%d,"time":"%s","gross":%.3f,"unit":"kg","battery":%.0f}`,
		n.next("scale"), own.Format(stamp), kg, n.scaleBat)
}

// senml writes a pack (RFC 8428) with a base name and a base time.
type senml struct {
	text []byte
}

func pack(base string, own time.Time) *senml {
	ms := own.UnixMilli()
	return &senml{fmt.Appendf(nil, `[{"bn":"%s","bt":%d.%03d,`, base, ms/1000, ms%1000)}
}

func (p *senml) add(name, unit string, decimals int, value float64) {
	p.text = fmt.Appendf(p.text, `"n":"%s","u":"%s","v":%.*f},{`, name, unit, decimals, value)
}

// flag adds an on or off.
func (p *senml) flag(name string, on bool) {
	p.text = fmt.Appendf(p.text, `"n":"%s","vb":%t},{`, name, on)
}

func (p *senml) done() []byte { return append(p.text[:len(p.text)-2], ']') }

func (n *Night) outdoorPack(own time.Time) []byte {
	o := &n.outdoor
	c := o.cycle(n.filled(), n.linePressure())
	clamp := func(t float64) float64 { return t + n.clampNoise.next() }
	gauge := func(pa float64) float64 { return to(100, pa-o.barometer+n.pressureNoise.next()) }
	p := pack("quayside/outdoor/", own)
	p.add("ambient", "Cel", 1, o.airC+n.airNoise.next())
	p.add("pipe-wall", "Cel", 2, clamp(n.pipe.wallC))
	p.add("liquid-pressure-ou1", "Pa", 0, gauge(c.liquidPressure))
	p.add("suction-pressure-ou1", "Pa", 0, gauge(c.suctionPressure))
	p.add("liquid-line-ou1", "Cel", 2, clamp(c.liquidC))
	p.add("suction-line-ou1", "Cel", 2, clamp(c.suctionC))
	p.add("discharge-line-ou1", "Cel", 2, clamp(c.dischargeC))
	p.add("oil-sump-ou1", "Cel", 2, clamp(o.sumpC))
	p.flag("outdoor-power", o.powered)
	p.flag("indoor-power", o.indoorPower)
	return p.done()
}

// roomsLive lets ten seconds pass in the rooms of a branch unit.
func (n *Night) roomsLive(branch int) {
	for _, r := range n.rooms {
		if r.branch == branch {
			r.step(10, math.Pow(min(1, n.filled()), 1.5), n.outdoor.running != "")
		}
	}
}

func (n *Night) branchPack(branch int, own time.Time) []byte {
	base := fmt.Sprintf("quayside/bu%d/", branch+1)
	p := pack(base, own)
	for _, r := range n.rooms {
		if r.branch != branch {
			continue
		}
		if !r.lost {
			p.add(r.unit+"-supply", "Cel", 1, r.supply+r.supplyNoise.next())
		}
		p.add(r.unit+"-return", "Cel", 1, r.air.tempC+r.returnNoise.next())
		p.add(r.unit+"-humidity", "%RH", 1, 100*(r.air.humidity()+r.humidityNoise.next()))
	}
	return p.done()
}
