classdef simmer_client < handle
  % Sends a digitiser's pulses to `simmer monitor`. For MATLAB, and for GNU Octave 7 or later with its
  % package instrument-control (`pkg load instrument-control` first).
  %
  %   client = simmer_client('127.0.0.1', 8788, struct( ...
  %       'sample_rate_hz', 20e6, 'volts_per_count', 6.103515625e-5, 'pretrigger_samples', 40000));
  %   client.send_pulse(1, 4000000, 200000000, samples, ...
  %       struct('stage', 3, 'exposure', 1, 'drive_mpa', 0.16, 'target', 'vessel'));
  %   client.wait(0.2);            % instead of pause(0.2): keeps the link alive and reads
  %   totals = client.end_stream();
  %
  % A CRC-32 over many samples is slow here, so payloads carry none: the monitor takes that on
  % loopback and Unix sockets only. A cut link is an error; this example does not connect again.
  % Tried in GNU Octave 7.3; written for MATLAB R2021a or later, not tried there.
  % The protocol is described in src/ingest/wire/PROTOCOL.md.

  properties (SetAccess = private)
    acknowledged = 0;  % frames below this sequence are accounted for by the monitor
    sequence = 0;      % of the next frame
  end

  properties (Access = private)
    socket
    channels
    keepalive_s = 2;
    largest_bytes = 0;
    reached = 0;       % device index at the end of the newest frame
    sent_at            % when the newest frame was sent
    unread = '';
    totals = [];
    crc_table
  end

  methods
    function self = simmer_client(host, port, digitiser)
      % digitiser: struct with sample_rate_hz, volts_per_count (V), pretrigger_samples and, if they
      % differ from these, channels (1), gain_db (0), device ('simmer_client.m').
      settings = struct('channels', 1, 'gain_db', 0, 'device', 'simmer_client.m');
      for name = fieldnames(digitiser)'
        settings.(name{1}) = digitiser.(name{1});
      end
      self.channels = settings.channels;
      self.crc_table = simmer_client.make_crc_table();
      self.socket = tcpclient(host, port);
      self.sent_at = tic;
      stream = '';
      for part = 1:4  % not rand: MATLAB's begins with the same numbers after every start
        seed = sprintf('%s %.6f', tempname, now * 86400);
        stream = [stream, sprintf('%08x', self.crc32(uint8(seed)))]; %#ok<AGROW>
      end
      % Numbers by hand: the monitor compares them exactly.
      hello = [sprintf('{"simmer":1,"stream":"%s","resume":false,"sample_format":"ri16_le"', stream), ...
        sprintf(',"channels":%d,"sample_rate_hz":%.17g', settings.channels, settings.sample_rate_hz), ...
        ',"volts_per_count":', simmer_client.numbers(settings.volts_per_count), ...
        ',"gain_db":', simmer_client.numbers(settings.gain_db), ...
        sprintf(',"pretrigger_samples":%d', settings.pretrigger_samples), ...
        ',"stage_from":"sender","drive_setting_unit":"","payload_crc":false', ...
        ',"device":', jsonencode(settings.device), '}'];
      self.write_bytes([unicode2native(hello, 'UTF-8'), uint8(10)]);
      reply = self.next_line(10);
      if ~reply.ok
        error('simmer:refused', '%s: %s', reply.error, reply.detail);
      end
      self.keepalive_s = reply.keepalive_s;
      self.largest_bytes = reply.max_payload_bytes;
      self.sequence = reply.next;
    end

    function send_pulse(self, number, first_sample, time_ns, samples, about)
      % samples: int16, sample sets x channels. first_sample: device index of the first sample set.
      % time_ns: device time of it, ns. about: struct with stage (1 noise, 2 baseline, 3 exposure)
      % and, if they are known, drive_mpa (MPa), exposure (number), target (at most 32 bytes).
      if ~isa(samples, 'int16') || size(samples, 2) ~= self.channels
        error('simmer:samples', 'samples must be int16 with %d columns', self.channels);
      end
      count = size(samples, 1);
      in_frame = min(40000, floor(self.largest_bytes / (2 * self.channels)));
      pulse = struct('number', number, 'first_sample', first_sample, 'time_ns', time_ns, ...
        'stage', 1, 'drive_mpa', [], 'exposure', 0, 'target', '');
      for name = fieldnames(about)'
        pulse.(name{1}) = about.(name{1});
      end
      for start = 0:in_frame:count - 1
        stop = min(start + in_frame, count);
        block = samples(start + 1:stop, :)';  % sample set after sample set, in each the channels
        flags = 1 * (start == 0) + 2 * (stop == count) + 4 * ~isempty(pulse.drive_mpa);
        self.send_frame(flags, first_sample + start, stop - start, block(:)', pulse);
      end
    end

    function exposure_ended(self)
      % The exposure is complete.
      self.send_frame(64 + 2048, self.reached, 0, zeros(1, 0, 'int16'), []);
    end

    function wait(self, seconds)
      % Waits, and meanwhile reads what the monitor says and keeps the link alive.
      began = tic;
      while true
        left = seconds - toc(began);
        self.read_acknowledgements();
        if toc(self.sent_at) > self.keepalive_s / 2
          self.send_frame(16, self.reached, 0, zeros(1, 0, 'int16'), []);
        end
        if left <= 0
          return
        end
        pause(min(left, 0.05));
      end
    end

    function totals = end_stream(self)
      % Ends the stream; returns the monitor's account: received and lost frames, pulses.
      self.send_frame(32, self.reached, 0, zeros(1, 0, 'int16'), []);
      while isempty(self.totals)
        self.next_line(60);
      end
      totals = self.totals;
      self.socket = [];
    end
  end

  methods (Access = private)
    function send_frame(self, flags, first_sample, samples, payload, pulse)
      % Header, target's name, payload. All machines that run this are little-endian.
      if isempty(pulse)
        pulse = struct('number', 0, 'first_sample', 0, 'time_ns', 0, 'stage', 0, ...
          'drive_mpa', [], 'exposure', 0, 'target', '');
      end
      target = unicode2native(pulse.target, 'UTF-8');
      target = target(:)';
      drive_mpa = [pulse.drive_mpa, zeros(1, isempty(pulse.drive_mpa))];
      payload = typecast(payload, 'uint8');
      head = [uint8('smr1'), ...
        typecast(uint16([96 + numel(target), flags]), 'uint8'), ...
        typecast(uint64([self.sequence, first_sample]), 'uint8'), ...
        typecast(uint64([pulse.number, pulse.first_sample]), 'uint8'), ...
        typecast(uint64(pulse.time_ns), 'uint8'), ...
        typecast(double([drive_mpa, 0]), 'uint8'), ...
        typecast(uint32([pulse.exposure, samples, numel(payload)]), 'uint8'), ...
        uint8([pulse.stage, numel(target)]), zeros(1, 14, 'uint8')];
      crc = typecast(self.crc32([head, target]), 'uint8');
      self.write_bytes([head, crc, target, payload]);
      self.sent_at = tic;
      self.reached = first_sample + samples;
      if ~bitand(flags, 16 + 32)
        self.sequence = self.sequence + 1;
      end
      self.read_acknowledgements();
    end

    function read_acknowledgements(self)
      % Takes in what the monitor has said so far, without waiting.
      line = self.take_line();
      while ~isempty(line)
        self.heed(line);
        line = self.take_line();
      end
    end

    function line = next_line(self, seconds)
      % Waits for a line.
      began = tic;
      line = self.take_line();
      while isempty(line)
        if toc(began) > seconds
          error('simmer:silence', 'the monitor said nothing for %g s', seconds);
        end
        pause(0.005);
        line = self.take_line();
      end
      self.heed(line);
    end

    function heed(self, line)
      if isfield(line, 'ack')
        self.acknowledged = line.ack;
      elseif isfield(line, 'received')
        self.totals = line;
      elseif isfield(line, 'error') && ~isfield(line, 'ok')
        error('simmer:refused', '%s: %s', line.error, line.detail);
      end
    end

    function line = take_line(self)
      % The next whole line as a struct, or [].
      socket = self.socket;
      waiting = socket.NumBytesAvailable;
      if waiting > 0
        self.unread = [self.unread, char(read(socket, waiting, 'uint8'))];
      end
      line = [];
      stop = find(self.unread == 10, 1);
      if ~isempty(stop)
        line = jsondecode(self.unread(1:stop - 1));
        self.unread = self.unread(stop + 1:end);
      end
    end

    function write_bytes(self, bytes)
      % MATLAB raises an error when the link is cut, Octave returns how much went out.
      if exist('OCTAVE_VERSION', 'builtin')
        if write(self.socket, bytes, 'uint8') ~= numel(bytes)
          self.read_acknowledgements();  % the monitor may have said why
          error('simmer:cut', 'the link to the monitor is cut');
        end
      else
        write(self.socket, bytes, 'uint8');
      end
    end

    function crc = crc32(self, bytes)
      % CRC-32 of IEEE 802.3, zlib and RFC 1952.
      crc = uint32(4294967295);
      for byte = uint32(bytes)
        crc = bitxor(bitshift(crc, -8), self.crc_table(bitand(bitxor(crc, byte), 255) + 1));
      end
      crc = bitxor(crc, uint32(4294967295));
    end
  end

  methods (Static, Access = private)
    function table = make_crc_table()
      % RFC 1952, section 8.
      table = uint32(0:255);
      for bit = 1:8
        odd = bitand(table, 1) == 1;
        table = bitshift(table, -1);
        table(odd) = bitxor(table(odd), uint32(3988292384));  % 0xedb88320
      end
    end

    function text = numbers(values)
      % One number a channel, or one for all, as JSON that reads back exactly.
      text = sprintf('%.17g,', values);
      text = ['[', text(1:end - 1), ']'];
    end
  end
end
