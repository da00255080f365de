// The real program, fed in real time through a FIFO with what the project's simulator makes of a scenario.
import { execFile, spawn } from "node:child_process";
import { createWriteStream } from "node:fs";
import { mkdtemp, readFile, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { setTimeout as sleep } from "node:timers/promises";
import { promisify } from "node:util";

const program = process.env.CRANKWITNESS_PROGRAM;
const tree = process.env.CRANKWITNESS_SOURCE_DIR;
const run = promisify(execFile);

export async function scratchFolder() {
  const folder = await mkdtemp(join(tmpdir(), "crankwitness-page-"));
  return { folder, remove: () => rm(folder, { recursive: true, force: true }) };
}

// The scenario's edges as [source time in ns, line]. Text of a scenario without `engine`, which is the demo's.
export async function simulate(folder, name, scenario) {
  const file = join(folder, `${name}.toml`);
  await writeFile(file, `engine = "${tree}/config/demo/mill-four.toml"\n${scenario}`);
  await run(program, ["simulate", file, "--out", join(folder, name)]);
  const text = await readFile(join(folder, name, "edges.csv"), "utf8");
  const lines = text.trimEnd().split("\n").slice(1);
  return lines.map((line) => [Number(line.slice(0, line.indexOf(","))), line]);
}

// `crankwitness run` with a page, at `port` (0: any that is free).
export class Daemon {
  static async start(folder, { port = 0, engine = `${tree}/config/demo/mill-four.toml`, session, words = [] }) {
    const daemon = new Daemon();
    daemon.fifo = join(folder, `${session}.fifo`);
    await run("mkfifo", [daemon.fifo]);
    const args = ["run", engine, "--source", `csv:${daemon.fifo}`, "--out", join(folder, session), "--serve", `127.0.0.1:${port}`, ...words];
    daemon.child = spawn(program, args, { stdio: ["ignore", "ignore", "pipe"] });
    daemon.log = "";
    daemon.ended = new Promise((resolve) => daemon.child.on("exit", resolve));
    daemon.child.stderr.on("data", (text) => (daemon.log += text));
    for (let tries = 0; tries < 100 && !daemon.url; ++tries) {
      daemon.url = /showing the live page at (http:\S+)/.exec(daemon.log)?.[1];
      await sleep(100);
    }
    if (!daemon.url) throw new Error(`expected the daemon to show its page, it said: ${daemon.log}`);
    daemon.port = Number(new URL(daemon.url).port);
    daemon.pipe = createWriteStream(daemon.fifo);
    daemon.pipe.on("error", () => {});
    daemon.pipe.write("t_ns,channel,edge\n");
    return daemon;
  }

  // Writes the edges at the pace of their times, `from` ns later than they say; the time after the last.
  async feed(edges, from = 0) {
    this.feeding = true;
    const begin = performance.now();
    let next = 0;
    while (next < edges.length && this.feeding) {
      const now_ns = edges[0][0] + (performance.now() - begin) * 1e6;
      let text = "";
      for (; next < edges.length && edges[next][0] <= now_ns; ++next) {
        const [time, line] = edges[next];
        text += `${time + from}${line.slice(line.indexOf(","))}\n`;
      }
      if (text) this.pipe.write(text);
      await sleep(10);
    }
    return from + (edges.at(-1)?.[0] ?? 0) + 1e7;
  }

  stopFeeding() {
    this.feeding = false;
  }

  kill() {
    this.child.kill("SIGKILL");
    return this.ended;
  }

  async end() {
    this.feeding = false;
    this.child.kill("SIGTERM");
    const code = await this.ended;
    this.pipe.destroy();
    return code;
  }
}
