// Sends the password; the session comes back as a cookie that scripts cannot see.

const form = document.getElementById("login");
const error = document.getElementById("login-error");

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  error.textContent = "";
  try {
    const response = await fetch("/login", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ password: document.getElementById("password").value }),
    });
    if (response.ok) {
      location.reload();
    } else {
      error.textContent = await response.text();
    }
  } catch {
    error.textContent = "The bench does not answer.";
  }
});
