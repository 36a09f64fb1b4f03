package dashboards

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"gearwitness/capture/archive"
	"gearwitness/decode/compare"
)

// VehicleHistory is how the shifts of one vehicle changed over its sessions.
type VehicleHistory struct {
	VIN  string       `json:"vin"`
	Rows []SessionRow `json:"rows"` // the sessions, as History.Sessions names them
	// Left are sessions that do not count, with the reason: nobody knows of which
	// vehicle they are, they cannot be read, or there are too many.
	Left []string `json:"left"`
	*compare.History
}

// maxVisits bounds how many sessions of a vehicle are decoded for its history;
// the newest count.
const maxVisits = 50

// ErrNoVIN is that of a session without a vehicle identification number.
var ErrNoVIN = errors.New("this session has no vehicle identification number, so that it is not known which others are of the same vehicle")

// SessionsOfVehicle finds the sessions below root that have the vehicle
// identification number of the session in folder, which may lie elsewhere, and
// that one itself. The session named recording, if any, is not over yet and left
// out. Trace follows what was found.
func SessionsOfVehicle(root, folder, recording string) (*VehicleHistory, error) {
	list, err := archive.List(root)
	if err != nil {
		return nil, err
	}
	is := func(l archive.Listed) bool { return sameFolder(l.Dir, folder) }
	i := slices.IndexFunc(list, is)
	if i < 0 {
		beside, err := archive.List(filepath.Dir(folder))
		if err != nil {
			return nil, err
		}
		if i = slices.IndexFunc(beside, is); i < 0 {
			return nil, fmt.Errorf("%s is no session", folder)
		}
		list, i = append(list, beside[i]), len(list)
	}
	if err := list[i].Err; err != nil {
		return nil, err
	}
	h := &VehicleHistory{VIN: list[i].Meta.VIN, Rows: []SessionRow{}, Left: []string{}}
	if strings.TrimSpace(h.VIN) == "" {
		return nil, ErrNoVIN
	}
	for _, l := range list {
		switch {
		case recording != "" && l.Name == recording:
		case l.Err != nil:
			h.Left = append(h.Left, l.Name+": "+l.Err.Error())
		case strings.TrimSpace(l.Meta.VIN) == "":
			h.Left = append(h.Left, l.Name+": no vehicle identification number")
		case !archive.DifferentVIN(l.Meta.VIN, h.VIN):
			h.Rows = append(h.Rows, RowOf(l))
		}
	}
	slices.SortStableFunc(h.Rows, func(a, b SessionRow) int { return timeOf(a.Started).Compare(timeOf(b.Started)) })
	if n := len(h.Rows) - maxVisits; n > 0 {
		h.Rows = h.Rows[n:]
		h.Left = append(h.Left, fmt.Sprintf("%d older sessions are left out; the newest %d count", n, maxVisits))
	}
	return h, nil
}

func sameFolder(a, b string) bool {
	a, errA := filepath.Abs(a)
	b, errB := filepath.Abs(b)
	return errA == nil && errB == nil && a == b
}

func timeOf(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return *t
}

// Trace decodes the sessions and follows their shifts from one to the next. One
// that cannot be decoded goes from Rows to Left.
func (h *VehicleHistory) Trace(ctx context.Context, shifts func(ctx context.Context, folder string, tell func(string)) (compare.Past, error), tell func(string)) error {
	var past []compare.Past
	all := h.Rows
	h.Rows = []SessionRow{}
	for i, row := range all {
		p, err := shifts(ctx, row.Folder, func(text string) { tell(fmt.Sprintf("session %d of %d: %s", i+1, len(all), text)) })
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil:
			h.Left = append(h.Left, row.Name+": "+err.Error())
		default:
			past = append(past, p)
			h.Rows = append(h.Rows, row)
		}
	}
	tell("comparing")
	h.History = compare.Trace(past)
	return nil
}

// vehicleHistoryHandler follows the shifts of one vehicle over all its sessions in
// the archive but the one being recorded.
func (s *Server) vehicleHistoryHandler(w http.ResponseWriter, r *http.Request, folder string) {
	if s.o.Sessions.Shifts == nil {
		refuse(w, http.StatusNotImplemented, "this program cannot compare sessions")
		return
	}
	h, err := SessionsOfVehicle(s.o.Sessions.Folder, folder, s.recordingNow())
	switch {
	case errors.Is(err, ErrNoVIN):
		refuse(w, http.StatusConflict, err.Error()+"; write it into the details")
		return
	case err != nil:
		refuse(w, http.StatusInternalServerError, err.Error())
		return
	}
	s.long(w, r, func(ctx context.Context, tell func(string)) (any, error) {
		return h, h.Trace(ctx, s.o.Sessions.Shifts, tell)
	}, func(v any) { reply(w, v) })
}
