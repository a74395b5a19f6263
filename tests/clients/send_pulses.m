function send_pulses(host, port, pulses)
  % Sends invented noise pulses to `simmer monitor` and prints the totals. In MATLAB or Octave:
  %   send_pulses('127.0.0.1', 8788, 20)
  % The numbers are those of config/bench-phantom.toml.
  if exist('OCTAVE_VERSION', 'builtin')
    pkg load instrument-control
  end
  sample_rate_hz = 20e6;
  period_s = 0.2;
  client = simmer_client(host, port, struct('sample_rate_hz', sample_rate_hz, ...
    'volts_per_count', 6.103515625e-5, 'pretrigger_samples', 40000));
  began = tic;
  for number = 0:pulses - 1
    client.wait(number * period_s - toc(began));
    samples = int16(round(20 * randn(120000, 1)));
    client.send_pulse(number, number * period_s * sample_rate_hz, number * period_s * 1e9, ...
      samples, struct('stage', 1));  % 1: noise, no drive
  end
  totals = client.end_stream();
  fprintf('received %d frames, lost %d, %d pulses\n', totals.received, totals.lost, totals.pulses);
end
