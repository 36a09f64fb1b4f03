package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/adrg/xdg"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/capture/pcapng"
	"gearwitness/dashboards"
	"gearwitness/dashboards/board"
	"gearwitness/dashboards/drive"
	"gearwitness/decode"
	"gearwitness/decode/nmea"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/procedure"
	"gearwitness/decode/requests"
	"gearwitness/decode/van"
	"gearwitness/signals"
)

const cautions = `Someone else drives and looks at the road only. Local rules, the maker's service
information and what your licence allows come before anything shown here.`

const requestCautions = `Requests are frames on the vehicle's bus, and an adapter that sends also
acknowledges what it hears. A control unit that is asked at the wrong moment may
react: let the first requests go out with the vehicle standing, and end them at
the first warning lamp or odd behaviour. Only reads can be expressed; at most one
is under way, and three in a row without an answer end them all.`

func newDrive() *cobra.Command {
	var o driveOptions
	cmd := &cobra.Command{
		Use:   "drive --vehicle FILE --from SOURCE...",
		Short: "Read from adapters, show, watch and record a drive",
		Long: `drive reads frames, records them, decodes and analyses them, and serves the page,
the API and /metrics until Ctrl-C or until --for is over. Adapters are opened
listen-only and nothing is sent on a vehicle bus, unless the vehicle file lists
requests and --allow-requests is given.

` + cautions + `

` + requestCautions + `

Sources:
  slcan:/dev/ttyUSB0?bitrate=500k        serial-line CAN adapter (slcan:COM5 on Windows)
        &baud=115200 of the serial line; &stamps=adapter takes its time stamps;
        &status=1s asks it for its status byte so often; &as=BUS says which bus
        of the vehicle file it is on
  socketcan:can0                         CAN interface of Linux
        &stamps=adapter &bitrate=500k, which it must have, &as=BUS
  lines:/dev/ttyACM0?baud=115200&as=gps  text lines of a serial instrument
  capture:FILE?speed=4                   capture file or session, played back; the
        page pauses, steps and jumps; a playback is not recorded again
  van:?seed=7&for=20m&fault=NAME         the virtual van (see demo --help)
        &drive=` + driveNames() + `
        &oil=20 &ambient=-5, both in °C

` + positionRule + `

Exit status: 0 done, 1 the vehicle file is wrong, 2 used wrong, 3 failed.`,
		Example: `  gearwitness drive --vehicle van.yaml --from slcan:/dev/ttyUSB0?bitrate=500k
  gearwitness drive --from 'capture:sessions/2026-11-25_10-00-00_parcel-van?speed=4'
  gearwitness drive --vehicle truck.yaml --from capture:drive.pcapng`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			file, err := o.vehicleFile()
			if err != nil {
				return err
			}
			return o.run(cmd.Context(), file, cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.vehicle, "vehicle", "", "vehicle file: what the frames mean and how the gearbox is built")
	f.StringArrayVar(&o.from, "from", nil, "source to read from; repeatable")
	o.common(f)
	return cmd
}

// driveNames lists what the van can be made to drive.
func driveNames() string {
	var names []string
	for _, d := range van.Drives() {
		names = append(names, d.Name)
	}
	return strings.Join(names, ", ")
}

// vehicleFile loads the vehicle file given; a session that is played back and the
// van bring their own. What is wrong with the sources is told first.
func (o *driveOptions) vehicleFile() (*signals.File, error) {
	urls, err := parseSources(o.from)
	switch {
	case err != nil:
		return nil, err
	case len(urls) == 1:
		return inputVehicle(urls[0], o.from[0], o.vehicle)
	case o.vehicle != "":
		return loadVehicle(o.vehicle)
	}
	return nil, errNoVehicle("what is read")
}

// driveOptions are the settings of drive and demo.
type driveOptions struct {
	vehicle                string
	from                   []string
	listen, token          string
	archive                string
	noRecord, open         bool
	allowRequests          bool
	length                 time.Duration
	truth, samples, events string
	procedure              string
	details                archive.Meta // who and why, as given
}

func (o *driveOptions) common(f *pflag.FlagSet) {
	f.StringVar(&o.listen, "listen", "127.0.0.1:8477", "address of the page, the API and /metrics")
	f.StringVar(&o.token, "token", "", "what other machines must present; needed to listen on anything but loopback")
	f.StringVar(&o.archive, "archive", defaultArchive(), "folder that sessions are kept in")
	f.BoolVar(&o.noRecord, "no-record", false, "keep nothing")
	f.BoolVar(&o.open, "open", false, "open the page in the browser")
	f.BoolVar(&o.allowRequests, "allow-requests", false, "send the diagnostic reads that the vehicle file lists; see the cautions of drive --help")
	f.Lookup("allow-requests").Annotations = map[string][]string{typedOnly: nil}
	f.DurationVar(&o.length, "for", 0, "end by itself after this time, such as 90s or 20m; not before Ctrl-C if 0 or not given")
	f.StringVar(&o.samples, "samples", "", "write samples to this CSV file while they come")
	f.StringVar(&o.events, "events", "", "write events to this JSON Lines file while they come")
	f.StringVar(&o.procedure, "procedure", "", procedureUsage)
	f.Lookup("procedure").Annotations = map[string][]string{typedOnly: nil}
	f.StringVar(&o.details.Title, "title", "", "what the session is, in a few words; the vehicle's title if not given")
	f.StringVar(&o.details.Technician, "technician", "", "who drives and watches")
	f.StringVar(&o.details.Workshop, "workshop", "", "the workshop")
	f.StringVar(&o.details.Job, "job", "", "job or order number")
	f.StringVar(&o.details.VIN, "vin", "", "vehicle identification number; an odd one is told, never refused")
	f.StringVar(&o.details.Odometer, "odometer", "", "odometer reading with its unit, such as '84210 km'")
	f.StringVar(&o.details.Concern, "concern", "", "what the customer complains of")
	f.StringVar(&o.details.PositionConsent, "position-consent", "", "who has agreed to position data being kept; without it positions are left out")
	f.StringVar(&o.truth, "truth", "", "van only: write what really happened to this JSON Lines file")
}

// meta says who, what and why of the session that begins.
func (o *driveOptions) meta(file *signals.File) archive.Meta {
	m := o.details
	m.Title = cmp.Or(m.Title, file.Vehicle.Title)
	m.Vehicle, m.Software = file.Vehicle.Title, "gearwitness "+version()
	return m
}

func defaultArchive() string { return filepath.Join(xdg.DataHome, "gearwitness", "sessions") }

// run is one drive from opening the sources to closing the session.
func (o *driveOptions) run(ctx context.Context, file *signals.File, stdout, stderr io.Writer) error {
	outliveReader() // a recording does not depend on who reads our words
	urls, err := o.check(file)
	if err != nil {
		return err
	}
	d := &daemon{consent: o.details.PositionConsent, log: slog.New(slog.NewTextHandler(stderr, nil))}
	if d.chain, err = pipeline.New(file, pipeline.Options{}); err != nil {
		return err
	}
	listener, err := o.listener()
	if err != nil {
		return err
	}
	defer listener.Close()
	truth, err := o.outputs(d, stdout)
	defer func() { d.sink.discard(); truth.discard() }()
	if err != nil {
		return err
	}
	if err := d.openSources(ctx, urls, file, truthWriter(truth), o.allowRequests); err != nil {
		if ctx.Err() != nil {
			fmt.Fprintln(stdout, "Ended before the drive began; nothing was recorded.")
			return nil
		}
		return err
	}
	defer d.source.Close()
	if err := o.keep(d, file); err != nil {
		return err
	}
	if d.session != nil {
		defer d.session.Close()
	}
	server, err := o.server(d, file)
	if err != nil {
		return err
	}
	page := "http://" + listener.Addr().String() + "/"
	if err := o.begin(d, file, page, stdout); err != nil {
		return err
	}
	began := time.Now()
	runErr, serveErr := o.drive(ctx, d, func(ctx context.Context) error { return server.Serve(ctx, listener) }, page, stdout)
	d.source.Close() // the van flushes its truth

	err = errors.Join(serveErr, d.sink.commit(), truth.commit())
	if runErr != nil && !errors.Is(runErr, context.Canceled) {
		err = errors.Join(runErr, err)
	}
	return errors.Join(err, d.farewell(stdout, time.Since(began)))
}

// check says what is wrong with the settings before anything is opened, and returns
// the sources.
func (o *driveOptions) check(file *signals.File) ([]capture.URL, error) {
	if o.length < 0 {
		return nil, usagef("--for %s: expected a time above 0, such as 90s", o.length)
	}
	urls, err := parseSources(o.from)
	if err == nil && o.procedure != "" {
		err = knownProcedure(file, o.procedure)
	}
	return urls, err
}

// listener takes the address of the page.
func (o *driveOptions) listener() (net.Listener, error) {
	l, err := listen(o.listen)
	if err != nil {
		return nil, err
	}
	if o.token == "" && !loopback(l) {
		l.Close()
		return nil, usageError{dashboards.ErrOpen}
	}
	return l, nil
}

// outputs creates the files that samples, events and truth are written to while they
// come.
func (o *driveOptions) outputs(d *daemon, stdout io.Writer) (truth *output, err error) {
	if err := d.sink.create(o.samples, o.events, d.chain, stdout); err != nil {
		return nil, err
	}
	return createOutput(o.truth, stdout)
}

// keep begins the recording; a playback is not recorded again.
func (o *driveOptions) keep(d *daemon, file *signals.File) (err error) {
	switch {
	case o.procedure != "" && d.playback != nil:
		return usagef("--procedure: a recording is played back; what was done while it was recorded is shown, and nothing else can be begun")
	case !o.noRecord && d.playback == nil:
		d.session, err = archive.Create(o.archive, o.meta(file), file.Text(), archive.Options{Clock: d.clock, OnStatus: d.diskStatus})
	}
	return err
}

// server makes the board and the server that shows it.
func (o *driveOptions) server(d *daemon, file *signals.File) (*dashboards.Server, error) {
	d.board = board.New(board.Options{File: file, Table: d.chain.Table(), Clock: d.clock, Plan: d.chain.Plan()})
	d.tellSources(board.SourceOpen, "")
	options := dashboards.Options{Board: d.board, Recorder: d.recorder(), Version: version(), Token: o.token, Log: d.log, Sessions: sessionWork(o.archive)}
	if p := d.playback; p != nil {
		options.Playback, options.Moments = p, p.moments
		options.Readings = &enteredReadings{file: file, list: p.readings}
		options.Stretch = stretchOf(file, p.path)
		return dashboards.NewServer(options), d.restart(p.start)
	}
	options.Mark, options.Coach = d.mark, d.coach
	if d.session != nil {
		options.Session, options.Stretch = d.session, stretchOf(file, d.session.Dir())
		options.Readings = &enteredReadings{file: file, session: d.session}
	}
	return dashboards.NewServer(options), nil
}

// begin says what is shown, recorded and sent, with the cautions, and asks for the
// procedure to begin.
func (o *driveOptions) begin(d *daemon, file *signals.File, page string, w io.Writer) error {
	fmt.Fprintf(w, "Page:      %s\n", page)
	o.sayRecording(d, w)
	o.sayRequests(d, file, w)
	fmt.Fprintln(w, cautions)
	if o.procedure != "" {
		announce(w, file, o.procedure)
		if err := d.coach(procedure.Request{Procedure: o.procedure, Action: procedure.Begin, Wait: true}); err != nil {
			return err
		}
	}
	fmt.Fprintln(w, "Ctrl-C ends the drive.")
	return nil
}

func (o *driveOptions) sayRecording(d *daemon, w io.Writer) {
	switch {
	case d.session != nil:
		fmt.Fprintf(w, "Recording: %s\n", d.session.Dir())
		if vin := o.details.VIN; vin != "" {
			if odd := archive.CheckVIN(vin).Warning(); odd != "" {
				fmt.Fprintf(w, "VIN:       %s: %s\n", vin, odd)
			}
		}
	case d.playback != nil:
		fmt.Fprintln(w, "Recording: off; a playback is not recorded again")
	default:
		fmt.Fprintln(w, "Recording: off")
	}
}

func (o *driveOptions) sayRequests(d *daemon, file *signals.File, w io.Writer) {
	switch n := len(file.Requests); {
	case d.asker != nil:
		fmt.Fprintf(w, "Requests:  SENDING the %d that the vehicle file lists\n%s\n", n, requestCautions)
	case o.allowRequests:
		fmt.Fprintln(w, "Requests:  the vehicle file lists none; nothing is sent")
	case n > 0 && d.playback == nil:
		fmt.Fprintf(w, "Requests:  the vehicle file lists %d; they are not sent without --allow-requests\n", n)
	}
}

// drive runs until the user or --for ends it. The server outlives the sources: when a
// recording has been played to its end, the page stays until the user ends it.
func (o *driveOptions) drive(ctx context.Context, d *daemon, serve func(context.Context) error, page string, w io.Writer) (runErr, serveErr error) {
	running, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	if o.length > 0 {
		timer := time.AfterFunc(o.length, func() { stop(errTimeIsUp) })
		defer timer.Stop()
	}
	var work sync.WaitGroup
	work.Go(func() {
		if serveErr = serve(running); serveErr != nil {
			stop(serveErr)
		}
	})
	if o.open {
		if err := openBrowser(page); err != nil {
			d.log.Warn("the browser could not be started; open the page by hand", "page", page, "cause", err)
		}
	}
	if d.playback != nil {
		work.Go(func() { d.playback.survey(running) })
	}
	runErr = d.run(running)
	for runErr == nil {
		fmt.Fprintln(w, "The input has ended; the page stays until Ctrl-C.")
		if d.playback == nil || !d.playback.again(running) {
			<-running.Done()
			break
		}
		runErr = d.run(running)
	}
	stop(nil)
	work.Wait()
	return runErr, serveErr
}

var errTimeIsUp = errors.New("the time of --for is up")

// daemon is a running drive. Its fields are set before run starts; marks and
// what becomes of requests come from other goroutines.
type daemon struct {
	chain     *pipeline.Pipeline
	clock     capture.Clock
	source    capture.Source
	urls      []capture.URL
	sources   []board.Source   // as the page shows them, by urls
	playback  *playback        // nil: what is shown is no recording
	asker     *drive.Asker     // nil: nothing is sent
	session   *archive.Session // nil: nothing is recorded
	board     *board.Board
	sink      writers
	log       *slog.Logger
	total     tally
	consent   string // to positions being kept, where nothing is recorded
	positions nmea.Guard
	channels  []capture.Channel // as of the last position left out
	counted   capture.Stamp     // event time when the board was last told the counters
	coached   capture.Stamp     // and the procedures

	mu    sync.Mutex
	marks []decode.Event // and word of requests and procedures, not yet in the chain
}

// openSources opens all sources on one clock and merges them. A recording that
// is played back brings its own clock and must be alone.
func (d *daemon) openSources(ctx context.Context, urls []capture.URL, file *signals.File, truth io.Writer, allowRequests bool) error {
	d.urls = urls
	for _, u := range urls {
		if u.Scheme == "capture" && len(urls) > 1 {
			return usagef("a recording is played back on its own clock and cannot be mixed with other sources; give %s alone", u)
		}
		if truth != nil && u.Scheme != "van" {
			return usagef("--truth: only the van knows what really happened; %s does not", u)
		}
	}
	if urls[0].Scheme == "capture" {
		if allowRequests {
			return usagef("--allow-requests: a recording cannot be asked anything; leave the flag out")
		}
		p, err := newPlayback(file, urls[0])
		if err != nil {
			return err
		}
		d.source, d.clock, d.playback = p, p, p
		return nil
	}
	d.clock = capture.NewSessionClock()
	o := opening{file: file, clock: d.clock, truth: truth}
	if allowRequests {
		asks := drive.AskedBuses(file)
		o.asks = &asks
	}
	var opened []capture.Source
	for _, u := range urls {
		s, err := o.open(ctx, u)
		if err != nil {
			for _, s := range opened {
				s.Close()
			}
			return err
		}
		opened = append(opened, s)
	}
	d.source = capture.Merge(capture.MergeOptions{Window: 50 * time.Millisecond}, opened...)
	if o.asks == nil || len(file.Requests) == 0 {
		return nil
	}
	var err error
	if d.asker, err = drive.NewAsker(file, d.source, d.clock, d.asking); err != nil {
		d.source.Close()
		return usagef("--allow-requests: %w; give one that sends (slcan: or socketcan:), named with as=BUS where the file has several buses", err)
	}
	return nil
}

// run is the one loop of a drive; what is done with each batch stands here in its
// order. It returns nil at the end of the input and ctx's error when told to stop.
func (d *daemon) run(ctx context.Context) error {
	defer d.ask(ctx)()
	run := pipeline.Run{Source: d.source, Chain: d.chain}
	run.Before = func(b *capture.Batch) error {
		d.guard(b) // what nobody agreed to is neither recorded nor shown
		if err := d.follow(b); err != nil {
			return err
		}
		run.Chain = d.chain
		d.record(b) // before anything interprets it
		d.hear(b)
		d.board.Batch(b)
		d.notes(b)
		for _, m := range d.takeMarks() {
			d.chain.Inject(m)
		}
		return nil
	}
	run.After = func(s pipeline.Step) error {
		d.count(s)
		told := d.journalTold(s.Out.Events)
		d.board.Take(s.Out)
		d.tellProcedures(told || s.End != nil)
		d.tellCounters(s.End != nil)
		d.write(s.Out)
		return d.end(ctx, s.End)
	}
	return run.Do(ctx)
}

// ask asks the vehicle beside the loop, where that was allowed; what it returns ends
// it and waits.
func (d *daemon) ask(ctx context.Context) (end func()) {
	if d.asker == nil {
		return func() {}
	}
	asking, stop := context.WithCancel(ctx)
	var running sync.WaitGroup
	running.Go(func() { d.asker.Run(asking) })
	return func() {
		stop()
		running.Wait()
		d.board.Requests(board.Requests{})
	}
}

// follow begins anew where a playback jumped.
func (d *daemon) follow(b *capture.Batch) error {
	if d.playback == nil || len(b.Notes) == 0 || b.Notes[0].Kind != pcapng.NoteSeek {
		return nil
	}
	at := b.Notes[0].Time
	b.Notes = b.Notes[1:]
	return d.jump(at)
}

func (d *daemon) record(b *capture.Batch) {
	if d.session != nil {
		d.session.Record(b)
	}
}

// hear hands the asker what may be an answer.
func (d *daemon) hear(b *capture.Batch) {
	if d.asker != nil {
		d.asker.Hear(b)
	}
}

func (d *daemon) count(s pipeline.Step) {
	d.total.batch(s.Batch)
	d.total.samples += uint64(len(s.Out.Samples))
	d.total.events += uint64(len(s.Out.Events))
}

// tellProcedures shows how the procedures stand, now and then or at once.
func (d *daemon) tellProcedures(atOnce bool) {
	if now := d.chain.Now(); atOnce || now < d.coached || now.Sub(d.coached) >= coachEvery {
		d.coached = now
		d.board.Procedures(d.chain.Procedures())
	}
}

// tellCounters shows what became of the frames, each second or at once.
func (d *daemon) tellCounters(atOnce bool) {
	if now := d.chain.Now(); atOnce || now.Sub(d.counted) >= time.Second {
		d.counted = now
		d.board.Counters(d.chain.Counters())
	}
}

// write writes samples and events to their files, until that fails.
func (d *daemon) write(out *decode.Output) {
	if err := d.sink.write(out, d.chain.Settled()); err != nil {
		d.log.Error("samples or events can no longer be written to their file; the drive goes on", "cause", err)
		d.sink.discard()
		d.sink = writers{}
	}
}

// end shows why the sources give no more.
func (d *daemon) end(ctx context.Context, why error) error {
	switch {
	case why == nil:
	case errors.Is(why, io.EOF):
		d.tellSources(board.SourceEnded, "the input has come to its end")
	case ctx.Err() != nil:
		return ctx.Err()
	default:
		d.tellSources(board.SourceLost, why.Error())
	}
	return nil
}

// coachEvery is how often the page is told how a procedure stands.
const coachEvery = 200 * time.Millisecond

// journalTold writes down what the people in the vehicle were told, when they
// were told: alarms, and what became of procedures, which it reports. Shifts are
// not: they follow from the frames and can be found again.
func (d *daemon) journalTold(events []decode.Event) (coached bool) {
	for _, e := range events {
		switch e.Kind {
		case decode.KindProcedure, decode.KindStep:
			coached = true
		case decode.KindAlarm, decode.KindVIN:
		default:
			continue
		}
		if d.session == nil {
			continue
		}
		if err := d.session.Journal(e.Kind, e.Time, e.Fields); err != nil {
			d.log.Error("the journal does not take what was told", "kind", e.Kind, "cause", err)
		}
	}
	return coached
}

// notes shows what sources say about themselves.
func (d *daemon) notes(b *capture.Batch) {
	for _, n := range b.Notes {
		d.log.Info(n.Text, "kind", n.Kind)
		switch n.Kind {
		case "lost":
			d.tellSource(d.sourceOf(b, n.Channel), board.SourceLost, n.Text)
		case capture.NoteSilent:
			d.tellSource(d.sourceOf(b, n.Channel), board.SourceSilent, n.Text)
		case "reconnect":
			d.tellSource(d.sourceOf(b, n.Channel), board.SourceOpen, n.Text)
		}
	}
}

// sourceOf returns the index of the source that a channel belongs to, -1 when
// that cannot be told.
func (d *daemon) sourceOf(b *capture.Batch, channel uint8) int {
	if len(d.urls) == 1 {
		return 0
	}
	if int(channel) >= len(b.Channels) {
		return -1
	}
	device := b.Channels[channel].Device
	return slices.IndexFunc(d.urls, func(u capture.URL) bool { return u.Path != "" && u.Path == device })
}

// tellSource shows how one source is doing.
func (d *daemon) tellSource(i int, state board.SourceState, text string) {
	if i < 0 {
		return // the log has it
	}
	d.sources[i].State, d.sources[i].Text = state, text
	d.board.Sources(d.sources)
}

// tellSources shows how all sources are doing together.
func (d *daemon) tellSources(state board.SourceState, text string) {
	d.sources = make([]board.Source, len(d.urls))
	for i, u := range d.urls {
		d.sources[i] = board.Source{Address: u.String(), Playback: d.playback != nil, State: state, Text: text}
	}
	d.board.Sources(d.sources)
}

// mark sets a mark at this moment; it may be called from any goroutine.
func (d *daemon) mark(text string) error {
	m := mark{Text: text}
	return d.enter(archive.KindMark, m, m.event)
}

// coach has a procedure begin or stop at this moment, likewise.
func (d *daemon) coach(r procedure.Request) error { return d.enter(decode.KindCoach, r, r.Event) }

// enter writes something into the journal and hands it to the chain with the
// same time. The chain takes such events before the frames that it reads next, so
// that when the recording is decoded they come to stand at the same place.
func (d *daemon) enter(kind string, fields any, event func(capture.Stamp) decode.Event) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	now := d.clock.Now()
	if d.session != nil {
		if err := d.session.Journal(kind, now, fields); err != nil {
			return err
		}
	}
	d.marks = append(d.marks, event(now))
	return nil
}

func (d *daemon) inject(e decode.Event) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.marks = append(d.marks, e)
}

// asking says everywhere what becomes of the requests: log, page, journal and
// events.
func (d *daemon) asking(a requests.News) {
	now := d.clock.Now()
	level := slog.LevelWarn
	if a.State == requests.Stopped {
		level = slog.LevelError
	}
	d.log.Log(context.Background(), level, a.Text, "requests", a.State)
	d.board.Requests(board.Requests{State: a.State, Text: a.Text})
	if d.session != nil {
		if err := d.session.Journal(decode.KindRequests, now, a); err != nil {
			d.log.Error("the journal does not take word of the requests", "cause", err)
		}
	}
	d.inject(a.Event(now))
}

func (d *daemon) takeMarks() []decode.Event {
	d.mu.Lock()
	defer d.mu.Unlock()
	m := d.marks
	d.marks = nil
	return m
}

// diskStatus is told by the recorder when something changes that matters.
func (d *daemon) diskStatus(s archive.Status) {
	switch {
	case s.Err != nil:
		d.log.Error("the recording cannot be written; the drive goes on, make room or check the disk", "cause", s.Err, "lost", s.Lost)
	case s.Low:
		if s.Full > 0 {
			d.log.Warn("the disk is filling up", "free_bytes", s.Free, "full_in", s.Full.Round(time.Minute))
		} else {
			d.log.Warn("the disk is filling up", "free_bytes", s.Free)
		}
	default:
		d.log.Info("the recording is being written", "lost", s.Lost)
	}
}

// recorder tells the server about the recording; nil when there is none.
func (d *daemon) recorder() dashboards.Recorder {
	if d.session == nil {
		return nil
	}
	return recorderStatus{d.session}
}

type recorderStatus struct{ *archive.Session }

func (r recorderStatus) Recording() dashboards.Recording {
	s := r.Status()
	return dashboards.Recording{Folder: s.Dir, Bytes: uint64(s.Bytes), Frames: s.Synced, Lost: s.Lost, Warning: diskWarning(s), Err: s.Err}
}

// diskWarning says how much room there still is where there is little; empty
// where there is enough.
func diskWarning(s archive.Status) string {
	if !s.Low {
		return ""
	}
	text := "the disk is filling up"
	if s.Free > 0 {
		text += fmt.Sprintf(": %.1f GB left", float64(s.Free)/1e9)
	}
	if s.Full > 0 {
		text += fmt.Sprintf(", full in about %.0f min", s.Full.Minutes())
	}
	return text + "; make room"
}

// farewell closes the session and says where it is and what is missing.
func (d *daemon) farewell(w io.Writer, took time.Duration) error {
	fmt.Fprintf(w, "\n%s frames in %s, %s events.\n", grouped(d.total.frames), took.Round(time.Second), grouped(d.total.events))
	if !d.total.any && d.playback == nil {
		fmt.Fprintln(w, "Nothing came from the vehicle. Switch the ignition on, then check the plug, the bit rate and the pair of wires.")
	}
	for _, line := range doubts(d.chain.Counters()) {
		fmt.Fprintln(w, line)
	}
	if d.asker != nil {
		for _, line := range d.asker.Summary() {
			fmt.Fprintln(w, line)
		}
	}
	for _, line := range d.countPositions() {
		fmt.Fprintln(w, line)
	}
	if d.session == nil {
		fmt.Fprintln(w, "Nothing was recorded.")
		return nil
	}
	err := d.session.Close()
	if s := d.session.Status(); s.Lost > 0 {
		fmt.Fprintf(w, "%s frames could not be recorded.\n", grouped(s.Lost))
	}
	if err != nil {
		return fmt.Errorf("the end of the session could not be written: %w", err)
	}
	fmt.Fprintf(w, "Session:   %s\n", d.session.Dir())
	return nil
}

// listen takes the address of the page, or says who has it and what to do.
func listen(address string) (net.Listener, error) {
	l, err := net.Listen("tcp", address)
	if err == nil {
		return l, nil
	}
	host, number, splitErr := net.SplitHostPort(address)
	var unknown *net.DNSError
	switch {
	case splitErr != nil:
		return nil, usagef("--listen %q: expected HOST:PORT, such as 127.0.0.1:8477", address)
	case !isPort(number):
		return nil, usagef("--listen %q: expected a port from 0 to 65535 behind the colon, found %q", address, number)
	case errors.As(err, &unknown):
		return nil, usagef("--listen %q: there is no host called %s; 127.0.0.1 is this machine", address, host)
	case isForeignAddress(err):
		return nil, usagef("--listen %q: %s is no address of this machine; 127.0.0.1 is, and 0.0.0.0 stands for all of its addresses", address, host)
	case isAddressInUse(err):
		return nil, fmt.Errorf("port %s on %s is in use, perhaps by another drive of this program; end it, or choose another with --listen %s", number, host, net.JoinHostPort(host, "8478"))
	case errors.Is(err, os.ErrPermission):
		return nil, fmt.Errorf("port %s may not be used by this user; choose one above 1023, such as --listen %s", number, net.JoinHostPort(host, "8477"))
	}
	return nil, fmt.Errorf("the page cannot be served at %s: %w; choose another address with --listen", address, err)
}

func isPort(s string) bool {
	_, err := net.LookupPort("tcp", s)
	return err == nil
}

func loopback(l net.Listener) bool {
	a, ok := l.Addr().(*net.TCPAddr)
	return ok && a.IP.IsLoopback()
}

// openBrowser asks the desktop to show the page.
func openBrowser(page string) error {
	name, args := "xdg-open", []string{page}
	switch runtime.GOOS {
	case "darwin":
		name = "open"
	case "windows":
		name, args = "rundll32", []string{"url.dll,FileProtocolHandler", page}
	}
	cmd := exec.Command(name, args...)
	if err := cmd.Start(); err != nil {
		return err
	}
	go cmd.Wait() // only to leave no zombie behind
	return nil
}

// noArguments refuses arguments in words.
func noArguments(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return usagef("%s takes no arguments, found %q; sources are given with --from", cmd.CommandPath(), args[0])
	}
	return nil
}
