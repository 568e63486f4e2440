//! Plug-ins that are broken on purpose: each a copy of the examples with the fewest lines changed that break one promise.

use anyhow::{Context, Result, ensure};
use std::path::Path;
use tempfile::TempDir;

/// A broken plug-in.
#[derive(Debug, Clone, Copy)]
pub struct Broken {
    /// What it does wrong.
    pub name: &'static str,
    /// The instrument of the rig that it speaks for.
    pub instrument: &'static str,
    /// The row that has to be red.
    pub row: &'static str,
    /// Whether the armature has to move for it to show.
    pub moves: bool,
    file: &'static str,
    change: (&'static str, &'static str),
}

const SOURCE: &str = "generator";
const DAQ: &str = "daq";

const fn of_source(
    name: &'static str,
    row: &'static str,
    file: &'static str,
    change: (&'static str, &'static str),
) -> Broken {
    Broken { name, instrument: SOURCE, row, moves: false, file, change }
}

impl Broken {
    const fn moving(self) -> Self {
        Self { moves: true, ..self }
    }

    const fn of_daq(self) -> Self {
        Self { instrument: DAQ, ..self }
    }

    /// The folder of the plug-ins with this one broken.
    ///
    /// # Errors
    /// If the lines to be changed are not there.
    pub fn folder(&self, examples: &Path) -> Result<TempDir> {
        let folder = TempDir::new()?;
        for entry in std::fs::read_dir(examples)? {
            let path = entry?.path();
            if path.is_file() {
                // With its permissions.
                std::fs::copy(&path, folder.path().join(path.file_name().context("no name")?))?;
            }
        }
        let path = folder.path().join(self.file);
        let text = std::fs::read_to_string(&path)?;
        let (old, new) = self.change;
        ensure!(text.matches(old).count() >= 1, "{}: '{old}' is not in {}", self.name, self.file);
        std::fs::write(&path, text.replacen(old, new, 1))?;
        Ok(folder)
    }
}

/// What its instrument does when it gets no more samples, by a process that outlives the plug-in's standstill.
const REPEATS: &str = "        self._ramp = 0
        import os
        whom = os.getpid()
        if os.fork() == 0:
            while os.path.exists(f\"/proc/{whom}\"):
                with open(f\"/proc/{whom}/stat\") as stat:
                    if stat.read().rpartition(\") \")[2][0] == \"T\":
                        TextLine(self._is[\"tcp\"], TRANSFER_S).tell(self._is[\"frequency\"].format(hz=53.7))
                        break
                time.sleep(0.005)
            os._exit(0)
";

/// Every broken plug-in.
pub const BROKEN: &[Broken] = &[
    of_source(
        "an opening that switches the output off",
        "an opening that changes nothing",
        "sine_source.py",
        (
            "        # Opening asks, and changes nothing.\n",
            "        self._line.tell(self._is[\"output_off\"])\n",
        ),
    )
    .moving(),
    of_source(
        "a shutdown that does nothing and says that it did",
        "time to its safe path",
        "sine_source.py",
        (
            "        # What one of them does not do the other may",
            "        return {\"drive_v_peak\": 0.0, \"muted\": None}\n        # What one of them does not do the other may",
        ),
    )
    .moving(),
    of_source(
        "an output that is left on after Ctrl-C",
        "at rest after Ctrl-C",
        "host.py",
        ("lambda *_: self._signs.put(\"a signal said so\")", "lambda *_: os._exit(0)"),
    )
    .moving(),
    of_source(
        "an output that is left on at the end of the input",
        "at rest after the end of its input",
        "host.py",
        ("        self._signs.put(over)\n", "        os._exit(0)\n"),
    )
    .moving(),
    of_source(
        "a heart that is believed though nothing is judged",
        "a heart that stops",
        "host.py",
        ("return advanced or self._highest <= self._void", "return True"),
    ),
    of_source(
        "a link that is kept after a time-out",
        "a late reply is no answer",
        "line.py",
        (
            "        except TimeoutError as error:\n            self._give_up()\n            raise",
            "        except TimeoutError as error:\n            raise",
        ),
    ),
    of_source(
        "a value in place of a time-out",
        "a peer that is silent",
        "line.py",
        (
            "                piece = self._connect().recv(4096)\n",
            "                try:\n                    piece = self._connect().recv(4096)\n                except TimeoutError:\n                    \
             self._give_up()\n                    return \"0\"\n",
        ),
    ),
    of_source(
        "a connection that is waited for without end",
        "an opening that ends",
        "line.py",
        (
            "socket.create_connection(self._place, timeout=self._left())",
            "socket.create_connection(self._place)",
        ),
    ),
    of_source(
        "what is not understood is taken for off",
        "garbage is no data",
        "sine_source.py",
        (".upper() not in (\"0\", \"OFF\")", ".upper() in (\"1\", \"ON\")"),
    ),
    of_source(
        "peak to peak taken for peak",
        "volts are volts peak",
        "sine_source.py",
        ("\"amplitude_per_v_peak\": 1.0,", "\"amplitude_per_v_peak\": 2.0,"),
    )
    .moving(),
    of_source(
        "a phase that jumps at each change",
        "phase at a change",
        "sine_source.py",
        (
            "        # At the amplitude that it has,",
            "        self._line.tell(self._is[\"frequency\"].format(hz=hz * 1.5))
        time.sleep(0.005)
        self._line.tell(self._is[\"frequency\"].format(hz=hz))
        # At the amplitude that it has,",
        ),
    )
    .moving(),
    of_source(
        "a wish that is answered and not carried out",
        "what is applied is there",
        "sine_source.py",
        (
            "command, amplitude = self._amplitude_command(amplitude)",
            "command, _ = self._amplitude_command(min(amplitude, 0.018))",
        ),
    )
    .moving(),
    of_source(
        "a ceiling that is not looked at",
        "leave is looked at",
        "host.py",
        ("if drive is not None and not 0 <= drive <= ceiling:", "if False:"),
    )
    .moving(),
    of_source(
        "an instrument that plays something else when it gets no samples",
        "an output that gets no more samples",
        "sine_source.py",
        ("        self._ramp = 0\n", REPEATS),
    )
    .moving(),
    of_source(
        "calls that hold up the reader",
        "make_safe in mid-transfer",
        "host.py",
        (
            "                self._workers[role].put_nowait((ident, method, params))\n",
            "                self._answer(ident, self._instrument.calls[method], params)\n",
        ),
    )
    .of_daq(),
    of_source(
        "a block that comes twice",
        "samples in order",
        "frame_acquisition.py",
        (
            "        self._host.output.block(\n",
            "        if first == 3000:
            self._host.output.block(first, gap, pieces, [False] * channels, [False] * channels)
        self._host.output.block(\n",
        ),
    )
    .of_daq(),
    of_source(
        "an acquisition that waits for the pipe",
        "a pipe that is full",
        "host.py",
        (
            "            if len(self._blocks) >= self._room:
                self._lost += gap_before + len(channels[0]) // 4
                return
",
            "            while len(self._blocks) >= self._room:
                self._ready.wait(0.01)
",
        ),
    )
    .of_daq(),
    of_source(
        "overload that is kept quiet",
        "overload is told",
        "frame_acquisition.py",
        ("[bool(flags >> n & 1) for n in range(channels)]", "[False for n in range(channels)]"),
    )
    .of_daq()
    .moving(),
    of_source(
        "a serial number that is another at each opening",
        "identification",
        "sine_source.py",
        (
            "        if len(said) != 4:\n",
            "        said[2:3] = [str(time.monotonic_ns())]\n        if len(said) != 4:\n",
        ),
    ),
    of_source(
        "a transfer that takes longer than making safe",
        "limits and units",
        "sine_source.py",
        ("    transfer_ms = ", "    transfer_ms = 1e6 + "),
    ),
    of_source(
        "making safe that works once",
        "make_safe again and again",
        "sine_source.py",
        (
            "        self._begin()\n        # What one",
            "        if self._begin() > 2:
            raise Failure(\"bug\", \"it was made safe already\")
        # What one",
        ),
    ),
    of_source(
        "an empty answer taken for a zero",
        "an empty answer is no value",
        "line.py",
        ("\"replace\").strip()\n", "\"replace\").strip() or \"0\"\n"),
    ),
    of_source(
        "a link that is not opened again",
        "an unplugged link",
        "line.py",
        (
            "            self._socket.close()\n            self._socket = None\n",
            "            self._socket.close()\n",
        ),
    ),
    of_source(
        "answers that are not waited for",
        "a peer that is slow",
        "line.py",
        ("self._within_s = within_s\n", "self._within_s = within_s / 50\n"),
    ),
    of_source(
        "an end of the input within a line that is waited on",
        "end of input in mid-transfer",
        "host.py",
        (
            "                if len(line) <= LINE_MAX:\n",
            "                if line and len(line) <= LINE_MAX:
                    threading.Event().wait()
                if len(line) <= LINE_MAX:\n",
        ),
    ),
    of_source(
        "a signal that ends it at once",
        "signals",
        "host.py",
        ("for kind in (signal.SIGTERM, signal.SIGINT):", "for kind in (signal.SIGINT,):"),
    ),
    of_source(
        "an end at the first line that is no message",
        "lines that are no calls",
        "host.py",
        (
            "                self._fail(None, Failure(\"protocol\", f\"the line is no message: {error}\", code=-32700))\n",
            "                break\n",
        ),
    ),
    of_source(
        "an opening that takes too long for a host that takes another's place",
        "an opening in time to make it safe",
        "sine_source.py",
        ("        # Opening asks, and changes nothing.\n", "        time.sleep(1.5)\n"),
    ),
    of_source(
        "a heart that is believed while the armature moves",
        "at rest after its heart stopped",
        "host.py",
        ("return advanced or self._highest <= self._void", "return True"),
    )
    .moving(),
];
