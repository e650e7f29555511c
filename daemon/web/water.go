package web

import (
	"context"
	"math"

	"standwatch/rules"
	"standwatch/rules/physics"
)

// waterSamples is how many places a line beside the curve has.
const waterSamples = 60

// waterLine is the pressure at which water boils, or ice goes, at the coldest
// pipe: a vacuum that stays there has water in it. Pipe temperatures tell;
// where nobody clamped any, outdoor air stands for them, and the line says so.
func (s *screens) waterLine(ctx context.Context, snap Snapshot, st Step, d rules.Scale, from, to int64) (line sideLine, ok bool) {
	for _, role := range []string{"pipe-air", "outdoor-air"} {
		coldest := make([]float64, waterSamples+1) // by stretch of time
		for i := range coldest {
			coldest[i] = math.Inf(1)
		}
		width := max((to-from)/waterSamples, 1)
		for _, p := range snap.Points {
			if p.Role != role || p.System != "" && p.System != st.System {
				continue
			}
			samples, err := s.box.Curve(ctx, p.Name, from, to, waterSamples)
			if err != nil {
				s.notRead(ctx, "a curve could not be read", "point", p.Name, "error", err)
				continue
			}
			for _, x := range samples {
				if n := (x.WallMs - from) / width; x.Health.Usable() && n >= 0 && n <= waterSamples {
					coldest[n] = min(coldest[n], x.Value)
				}
			}
		}
		line = sideLine{Label: s.words.say("curve.water." + role)}
		for n, tempC := range coldest {
			if pa, _, err := physics.BoilingPa(tempC); err == nil {
				line.Times, line.Y = append(line.Times, from+int64(n)*width), append(line.Y, d.Value(pa))
			}
		}
		if len(line.Times) > 1 {
			return line, true
		}
	}
	return line, false
}
