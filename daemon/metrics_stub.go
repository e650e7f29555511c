package daemon

import "net/http"

// Metrics is replaced by daemon/metrics.go.
func (d *Daemon) Metrics() http.Handler { return http.NotFoundHandler() }
