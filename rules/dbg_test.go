package rules
import ("testing";"time";"math")
func TestOnset(t *testing.T){
 for _, rate := range []float64{.05,.25,1} { for _, flat := range []int{0,30} {
 var b []sample
 for i:=0;i<=60;i+=2 { v:=40-rate/60*math.Max(0,float64(i-flat)); b=append(b,sample{time.Duration(i)*time.Second, math.Round(v*1000)/1000}) ; if i==8||i==20||i==60 {t.Log(rate,flat,i,onset(b), b[len(b)-1].v)}}
 }}
}
