// Starts and stops the program under test, and reads what it says.
import { spawn, execFileSync } from 'node:child_process';
import { mkdtempSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';

export function touchmark(program, site, ...args) {
  return execFileSync(program, ['--site', site, '--json', ...args], { encoding: 'utf8' });
}

export function newSite(program, name) {
  const site = join(mkdtempSync(join(tmpdir(), 'touchmark-pages-')), 'site');
  execFileSync(program, ['site', 'new', site, '--name', name]);
  return site;
}

export async function start(program, site, listen = '127.0.0.1:0', more = []) {
  const child = spawn(program, ['--site', site, '--json', 'serve', '--listen', listen, ...more], { stdio: ['ignore', 'pipe', 'pipe'] });
  let said = '';
  child.stderr.on('data', (d) => { said += d; });
  const line = await new Promise((resolve, reject) => {
    let out = '';
    child.stdout.on('data', (d) => { out += d; if (out.includes('\n')) resolve(out.split('\n')[0]); });
    child.on('exit', (code) => reject(new Error(`the server ended with ${code}: ${out}${said}`)));
  });
  const { address, first_account: first } = JSON.parse(line);
  return {
    address: address.replace(/\/$/, ''),
    listen: new URL(address).host,
    first,
    /// Gives the server an eighth of the time, as a machine with much else to do would, until the answer is called:
    /// what is told of long work is there to be seen, however fast the machine is.
    slow() {
      let ended = false;
      const turn = () => {
        child.kill('SIGCONT');
        if (!ended) setTimeout(() => { if (!ended) child.kill('SIGSTOP'); setTimeout(turn, 210); }, 30);
      };
      turn();
      return () => { ended = true; child.kill('SIGCONT'); };
    },
    async stop(signal = 'SIGTERM') {
      const ended = new Promise((resolve) => child.on('exit', resolve));
      child.kill(signal);
      return ended;
    },
  };
}
