% Reads a session folder in GNU Octave or MATLAB: counts of verdicts, and the mean broadband over the
% baseline in exposures. Set SESSION before, or give the folder as the only argument.
if exist('SESSION', 'var') ~= 1
  arguments = argv();
  SESSION = arguments{end};
end
file = fopen(fullfile(SESSION, 'pulses.csv'), 'r');
head = strsplit(fgetl(file), ',');
column = @(name) find(strcmp(head, name), 1);
verdict = column('verdict');
level = column('broadband_detect_db');
names = {'not_detected', 'stable', 'inertial', 'indeterminate'};
counts = zeros(1, 4);
total = 0;
heard = 0;
line = fgetl(file);
while ischar(line)
  cells = strsplit(line, ',', 'CollapseDelimiters', false);
  place = find(strcmp(names, cells{verdict}), 1);
  if ~isempty(place)
    counts(place) = counts(place) + 1;
    value = str2double(cells{level});
    if ~isnan(value)
      total = total + value;
      heard = heard + 1;
    end
  end
  line = fgetl(file);
end
fclose(file);
for place = 1:4
  printf('%s %d\n', names{place}, counts(place));
end
printf('broadband %.6f dB over %d pulses\n', total / heard, heard);
