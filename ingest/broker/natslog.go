package broker

import (
	"context"
	"fmt"
	"log/slog"
)

// natsLog passes the NATS server's words on. Its notices are about itself and of interest to
// developers only. A fatal error does not end the process, as the server's own logger would; Start
// returns it.
type natsLog struct {
	to    *slog.Logger
	fatal chan<- string
}

func (l natsLog) say(level slog.Level, format string, v []any) {
	l.to.Log(context.Background(), level, "broker: "+fmt.Sprintf(format, v...))
}

func (l natsLog) Noticef(format string, v ...any) { l.say(slog.LevelDebug, format, v) }
func (l natsLog) Debugf(format string, v ...any)  { l.say(slog.LevelDebug, format, v) }
func (l natsLog) Tracef(format string, v ...any)  { l.say(slog.LevelDebug, format, v) }
func (l natsLog) Warnf(format string, v ...any)   { l.say(slog.LevelWarn, format, v) }
func (l natsLog) Errorf(format string, v ...any)  { l.say(slog.LevelWarn, format, v) }

func (l natsLog) Fatalf(format string, v ...any) {
	l.say(slog.LevelError, format, v)
	select {
	case l.fatal <- fmt.Sprintf(format, v...):
	default:
	}
}
