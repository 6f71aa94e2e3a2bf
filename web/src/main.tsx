import { render } from "preact";

render(<p>Lacet</p>, document.getElementById("page") as HTMLElement);
