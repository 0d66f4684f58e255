package api

import (
	"encoding/json"
	"net/http"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"
)

// Problem is an error as RFC 9457 has it, and what else a program can use to ask again.
type Problem struct {
	Type   string `json:"type,omitempty" doc:"A URI for the kind of problem; absent stands for about:blank."`
	Title  string `json:"title" doc:"The status in words."`
	Status int    `json:"status"`
	Detail string `json:"detail" doc:"What is wrong and what to do."`

	SmallestStepS int64    `json:"smallest_step_s,omitempty" doc:"Where a series has too many rows: the smallest step, in seconds, that would do."`
	Missing       []string `json:"missing,omitempty" doc:"Where something cannot be finished: what it still lacks."`
}

func problem(status int, detail string) *Problem {
	return &Problem{Title: http.StatusText(status), Status: status, Detail: detail}
}

func tooManyRows(smallest time.Duration) *Problem {
	// A step is asked for in whole seconds, so that it is rounded up.
	seconds := int64((smallest + time.Second - 1) / time.Second)
	p := problem(http.StatusBadRequest, "more than 10,000 rows: ask with step="+strconv.FormatInt(seconds, 10)+
		" (seconds) or more, or for a shorter time")
	p.SmallestStepS = seconds
	return p
}

// Error returns the detail.
func (p *Problem) Error() string { return p.Detail }

// GetStatus returns the status of the answer.
func (p *Problem) GetStatus() int { return p.Status }

// ContentType names the format of RFC 9457.
func (p *Problem) ContentType(string) string { return "application/problem+json" }

func writeProblem(w http.ResponseWriter, p *Problem) {
	w.Header().Set("Content-Type", p.ContentType(""))
	w.WriteHeader(p.Status)
	json.NewEncoder(w).Encode(p)
}

func writeProblemTo(ctx huma.Context, p *Problem) {
	ctx.SetHeader("Content-Type", p.ContentType(""))
	ctx.SetStatus(p.Status)
	json.NewEncoder(ctx.BodyWriter()).Encode(p)
}

// WriteProblem writes an error of this status, for whoever mounts the API and has to refuse a
// request before it arrives here.
func WriteProblem(w http.ResponseWriter, status int, detail string) {
	writeProblem(w, problem(status, detail))
}
